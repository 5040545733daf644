"""Figures: what they show is what was counted by hand, in few points, and none acts as markup."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest

import looptime
from looptime.analysers.summary import Summary, summarise
from looptime.schema import KINDS, UNATTRIBUTED
from looptime.views.figures.costs_figures import GROUPS, call_table, cost_bars, slow_against_typical
from looptime.views.figures.pace_figures import period_histogram, rate_over_run, recurrences
from looptime.views.figures.palette import DARK, KIND_COLOUR, KIND_PATTERN, LIGHT
from looptime.views.figures.picture import MOST_POINTS, Picture, envelope, log_bins, points_in
from looptime.views.figures.slow_figures import event_table, loop_beside_typical, typical_loop
from looptime.views.files.html import csv_cell, data_json, escape
from tests.build_run import make_flat_run, make_run

# Severe anomalies, linear RGB: Machado, Oliveira and Fernandes (2009)
ANOMALIES = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def summary(slow: bool = True, loops: int = 120) -> Summary:
    """Loops of 10 ms: a read of 4 ms, a compute of 2; every 30th has a read of 24 ms."""

    def calls(k: int) -> list[tuple]:
        longer = 20 if slow and k % 30 == 29 else 0
        return [("gyro.read", 1, 4 + longer), ("plan.update", 6 + longer, 2),
                ("gyro.poll", 0, 5, "gyro")]  # fmt: skip

    periods = [30.0 if slow and k % 30 == 29 else 10.0 for k in range(loops)]
    names = {"gyro.read": "sensor read", "plan.update": "compute", "gyro.poll": "sensor read"}
    return summarise(make_run(periods, calls, names), budget_ms=25.0)


def linear(colour: str) -> np.ndarray:
    """Linear RGB of a colour such as #1f2b3c."""
    c = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lightness(colour: str) -> float:
    """Relative luminance."""
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear(colour))


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, 1 to 21."""
    a, b = sorted([lightness(one), lightness(other)])
    return (b + 0.05) / (a + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear RGB."""
    m = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = m @ np.clip(rgb, 0, 1) / np.array([0.9505, 1, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("seen", ANOMALIES)
def test_kinds_stay_apart_for_every_reader(seen: str) -> None:
    """Colours of kinds differ for readers who see fewer of them, and patterns differ for all."""
    m = np.array(ANOMALIES[seen])
    for a, b in itertools.combinations(KIND_COLOUR.values(), 2):
        assert np.linalg.norm(lab(m @ linear(a)) - lab(m @ linear(b))) > 9, (a, b)
    assert len(set(KIND_PATTERN.values())) == len(KIND_PATTERN) == len(KINDS) + 1


def test_colours_can_be_read_by_day_and_by_night() -> None:
    """3:1 for bars and lines, 4.5:1 for text, on both grounds."""
    for page in (LIGHT, DARK):
        for ground in (page["ground"], page["raised"]):
            assert min(contrast(c, ground) for c in KIND_COLOUR.values()) >= 3
            assert min(contrast(page[k], ground) for k in ("ink", "faint", "link", "warn")) >= 4.5


def test_histogram_counts_every_loop_once() -> None:
    """116 loops of 10 ms and 4 of 30: 29/30 of the loops, and 116*10 of 1280 ms of the time."""
    at = summary()
    by_loops, by_time = period_histogram(at), period_histogram(at, "time")
    assert sum(row[2] for row in by_loops.rows) == 120
    assert by_loops.rows[0][3] == pytest.approx(116 / 120)
    assert by_time.rows[0][3] == pytest.approx(1160 / 1280)
    assert sum(by_loops.figure["data"][0]["y"]) == pytest.approx(100)
    assert "4 (3.3 %)" in by_loops.title


def test_a_bar_leads_to_a_loop_of_its_length() -> None:
    """The loop that a bar of the histogram stands for has a period inside the bar."""
    at = summary()
    drawn = period_histogram(at).figure["data"][0]
    period = at.run.loop_columns.period_ns / 1e6
    for loop, low, high, count, word in drawn["customdata"]:
        assert word == ("loop" if count == 1 else "loops")
        if count:
            assert low - 1e-9 <= period[loop] <= high + 1e-9


@pytest.mark.parametrize("by", GROUPS)
def test_costs_add_up_to_the_loop(by: str) -> None:
    """Bars with what no call covers add up to the mean period, shares to 1."""
    at = summary()
    made = cost_bars(at, by)
    assert sum(row[2] for row in made.rows) == pytest.approx(1280 / 120)
    assert sum(row[3] for row in made.rows) == pytest.approx(1)
    assert UNATTRIBUTED in [row[0] for row in made.rows]


def test_a_bar_has_the_colour_of_its_kind() -> None:
    """The same kind has the same colour and pattern in every figure."""
    at = summary()
    for made in (cost_bars(at), slow_against_typical(at), loop_beside_typical(at, 29)):
        assert made is not None
        for trace in made.figure["data"]:
            if trace.get("name") in KIND_COLOUR:
                assert trace["marker"]["color"] == KIND_COLOUR[trace["name"]]
    first = cost_bars(at).figure["data"][0]
    assert first["marker"]["color"][0] == KIND_COLOUR["sensor read"]


def test_the_legend_names_the_kinds_that_are_drawn() -> None:
    """Each kind of a bar stands in the legend with its colour and pattern, and no other does."""
    made = cost_bars(summary())
    bars, *key = made.figure["data"]
    assert made.figure["layout"]["showlegend"]
    drawn = set(zip(bars["marker"]["color"], bars["marker"]["pattern"]["shape"], strict=True))
    named = {(t["marker"]["color"], t["marker"]["pattern"]["shape"]) for t in key}
    assert [t["name"] for t in key] == ["sensor read", "compute", UNATTRIBUTED]
    assert named == drawn
    assert not cost_bars(summary(), "bus").figure["layout"]["showlegend"]


def test_a_rhythm_has_the_colour_of_its_call() -> None:
    """The read that stalls every 30 loops is drawn as reads are."""
    made = recurrences(summary(loops=900))
    assert made is not None
    bars = made.figure["data"][0]
    assert made.rows[0][0] == "gyro.read"
    assert bars["marker"]["color"][0] == KIND_COLOUR["sensor read"]
    assert bars["marker"]["pattern"]["shape"][0] == KIND_PATTERN["sensor read"]


def test_excess_names_the_planted_call() -> None:
    """Slow loops take 20 ms more, all of it in the read."""
    made = slow_against_typical(summary())
    assert made is not None
    assert made.rows[0][0] == "gyro.read"
    assert made.rows[0][1] == pytest.approx(20)
    assert slow_against_typical(summary(slow=False)) is None


def test_a_loop_is_drawn_beside_a_typical_one() -> None:
    """Every call of both loops is a bar at its place; other threads have lanes of their own."""
    at = summary()
    made = loop_beside_typical(at, 29)
    rows = [row for row in made.rows if row[0] == 29]
    assert {(row[1], row[2], row[4], row[5]) for row in rows} == {
        ("main", "gyro.read", 1.0, 24.0), ("main", "plan.update", 26.0, 2.0),
        ("gyro", "gyro.poll", 0.0, 5.0),
    }  # fmt: skip
    lanes = made.figure["layout"]["yaxis"]["ticktext"]
    assert [lane.split()[0] for lane in lanes] == ["chosen", "chosen", "typical", "typical"]
    assert at.basis.typical[typical_loop(at, 29)]
    heads, rows = event_table(at)
    assert rows[0][0] in (29, 59, 89, 119)
    assert len(set(heads)) == len(heads) == len(rows[0])


def test_nested_calls_are_drawn_upon_what_encloses_them(tmp_path: Path) -> None:
    """Three calls deep: each trace comes after the one below it, narrower, named where it fits."""
    rows = ["name,start_us,duration_us"]
    begin = 0
    for k in range(60):
        read = 29_500 if k == 30 else 3_500
        rows += [
            f"loop,{begin},{read + 9000}", f"drive.update,{begin + 300},{read + 6000}",
            f"bus.exchange,{begin + 500},{read + 900}", f"gyro.read,{begin + 800},{read}",
        ]  # fmt: skip
        begin += read + 9000
    log = tmp_path / "nested.csv"
    log.write_text("\n".join(rows) + "\n", encoding="utf-8")
    made = loop_beside_typical(summarise(looptime.read(log)), 30)
    at = {}
    for number, trace in enumerate(made.figure["data"]):
        for place, about in enumerate(trace["customdata"]):
            if about[0] == 30:
                at[about[1]] = (number, trace["width"][place], trace["text"][place], about[3])
    order = ["drive.update", "bus.exchange", "gyro.read"]
    assert [at[name][0] for name in order] == sorted({at[name][0] for name in order})
    assert at["drive.update"][1] > at["bus.exchange"][1] > at["gyro.read"][1] > 0.2
    assert at["gyro.read"][2:] == ("gyro.read", 29.5)
    hover = made.figure["data"][at["gyro.read"][0]]["hovertemplate"]
    assert "from %{base:.3f} ms for %{customdata[3]:.3f} ms" in hover
    assert "gyro.read stretched most, by 26" in made.title
    shown = [t["name"] for t in made.figure["data"] if t["showlegend"]]
    assert len(shown) == len(set(shown))


def long_summary(loops: int = 60_000) -> Summary:
    """A long run with some slow loops."""
    rng = np.random.default_rng(5)
    period = rng.normal(20e6, 1e6, loops).astype(np.int64)
    period[rng.random(loops) < 0.01] += 30_000_000
    names = {f"call{k}.read": period // 60 + k for k in range(40)}
    return summarise(make_flat_run(period, names))


def test_long_runs_are_reduced() -> None:
    """No figure sends more than 20,000 points, and none loses its longest loop."""
    at = long_summary()
    made: list[Picture | None] = [
        period_histogram(at), rate_over_run(at), *(cost_bars(at, g) for g in GROUPS),
        slow_against_typical(at), loop_beside_typical(at, 17),
    ]  # fmt: skip
    for picture in made:
        assert picture is not None
        assert points_in(picture.figure) <= MOST_POINTS
    longest = max(max(t["y"]) for t in rate_over_run(at).figure["data"])
    assert longest == pytest.approx(at.basis.period_ms.max())


def test_envelope_holds_every_value() -> None:
    """Least and largest of each stretch enclose its values."""
    x = np.random.default_rng(2).normal(size=10_007)
    start, low, middle, high = envelope(np.arange(len(x)), x, 100)
    place = np.searchsorted(start, np.arange(len(x)), side="right") - 1
    assert ((low[place] <= x) & (x <= high[place])).all()
    assert ((low <= middle) & (middle <= high)).all()


@pytest.mark.parametrize("x", [[5.0], [5.0, 5.0], [1e-3, 1e5], [0.0, -1.0]])
def test_bins_of_odd_data(x: list[float]) -> None:
    """One value, equal values, eight decades and nothing above zero: edges that ascend, or none."""
    edges = log_bins(np.array(x))
    assert (np.diff(edges) > 0).all()
    assert len(edges) in (0, 81)


def test_every_figure_is_whole_and_valid() -> None:
    """Title, words, axes with titles, hover, table; Plotly knows every property."""
    import plotly.graph_objects as go

    at = summary()
    for made in (period_histogram(at), rate_over_run(at), cost_bars(at), slow_against_typical(at),
                 loop_beside_typical(at, 29)):  # fmt: skip
        assert made is not None
        go.Figure(made.figure)
        assert all((made.title, made.alt, made.how, made.rows))
        assert all(len(row) == len(made.heads) for row in made.rows)
        assert "ms" in made.figure["layout"]["xaxis"]["title"]["text"] + str(
            made.figure["layout"]["yaxis"]["title"]["text"]
        )
        assert any("hovertemplate" in t for t in made.figure["data"])
        data_json(made.figure)


HOSTILE = "<script>alert(1)</script>"


def test_hostile_names_stay_text_in_figures_and_exports() -> None:
    """Names are escaped in figures, HTML and embedded data, and neutral in CSV."""
    calls = [(HOSTILE, 1, 3), ("=cmd()", 5, 2)]
    at = summarise(make_run([10.0] * 40 + [30.0], calls, {HOSTILE: "sensor read"}))
    made = cost_bars(at)
    assert "<script" not in str(made.figure)
    assert "</script" not in data_json({"rows": [list(row) for row in made.rows]})
    assert escape(HOSTILE) == "&lt;script&gt;alert(1)&lt;/script&gt;"
    assert csv_cell("=cmd()") == "'=cmd()"
    assert [csv_cell(v) for v in ("+1", "-1", "@x", " =1", "a")] == [
        "'+1",
        "'-1",
        "'@x",
        "' =1",
        "a",
    ]
    assert HOSTILE in [row[0] for row in call_table(at)[1]]


def test_a_log_without_calls_or_loops() -> None:
    """Figures of bare time stamps and of nothing say so."""
    bare = summarise(make_run([10.0] * 30))
    assert "no calls" in cost_bars(bare).title
    none = summarise(make_run([]))
    assert period_histogram(none).figure["data"] == []
