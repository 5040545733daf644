"""One loop beside a typical one, call by call."""

from pathlib import Path

import looptime
from looptime.analysers.summary import summarise
from looptime.views.figures.slow_figures import event_table, loop_beside_typical, typical_loop
from tests.views.figures.build import summary


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
