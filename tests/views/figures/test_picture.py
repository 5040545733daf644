"""Figures: what they show is what was counted by hand, in few points, and none acts as markup."""

import numpy as np
import pytest

from looptime.analysers.summary import Summary, summarise
from looptime.views.figures.costs_figures import GROUPS, call_table, cost_bars, slow_against_typical
from looptime.views.figures.pace_figures import period_histogram, rate_over_run
from looptime.views.figures.picture import MOST_POINTS, Picture, envelope, log_bins
from looptime.views.figures.slow_figures import loop_beside_typical
from looptime.views.files.html import csv_cell, data_json, escape
from tests.build_run import make_flat_run, make_run
from tests.views.build import points_in
from tests.views.figures.build import summary


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
