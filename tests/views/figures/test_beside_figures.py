"""Figures of runs beside each other: each cell where it belongs, each loop in its run's shape."""

import numpy as np
import pytest

from looptime.checks.season.many_runs import beside
from looptime.views.figures.beside_figures import beside_table, change_map, periods_beside
from tests.build_run import make_run
from tests.checks.season.test_many_runs import flat, placed

HOSTILE = "<img src=x>"


def three() -> list[float]:
    return [2.0, 2.0, 3.0]


def test_each_cell_stands_at_its_run_and_its_call() -> None:
    """A read of 2, 2, 3 ms: 0, 0 and +50 %, in the strongest colour of more; names are text."""
    at = beside([placed(flat(v, f"{HOSTILE}{k // 2}", k + 1, **{HOSTILE: 1.0}), f"{k}")
                 for k, v in enumerate(three())])  # fmt: skip
    picture = change_map(at)
    cells, names = picture.figure["data"][0], picture.figure["layout"]["yaxis"]["ticktext"]
    row = len(names) - 1 - names.index("gyro.read")
    mine = [k for k, base in enumerate(cells["base"]) if base == pytest.approx(row - 0.46)]
    assert [cells["x"][k] for k in mine] == [1, 2, 3]
    assert [cells["text"][k] for k in mine] == ["", "", "+50"]
    assert cells["marker"]["color"][mine[2]] == "rgba(196,71,26,0.66)"
    assert cells["marker"]["color"][mine[0]] == "rgba(38,110,190,0.06)"
    assert cells["customdata"][mine[2]][2] == "3.00 ms, +50 %"
    assert "&lt;img src=x&gt;" in names
    assert "<img" not in str(picture.figure)
    assert [s["x0"] for s in picture.figure["layout"]["shapes"]] == [2.5]
    held = next(d for d in picture.figure["data"] if d.get("name") == "held against")
    assert held["x"] == [1, 2]
    assert any("too few to tell" in note for note in picture.notes)
    told = {(r[0], r[1], r[4]) for r in picture.rows if r[0] == "gyro.read"}
    assert len(picture.rows) == 3 * len(at.lines)
    assert {round(t[2]) for t in told} == {0, 50}


def test_the_shape_of_a_run_holds_its_loops() -> None:
    """Half of the loops of 10 ms, half of 40: two towers as high as each other, at their places."""
    made = make_run([10.0, 40.0] * 300)
    at = beside([placed(made, "a"), placed(make_run([10.0] * 600), "b")])
    picture = periods_beside(at)
    assert picture is not None
    below, above = picture.figure["data"][:2]  # the newest run stands below
    assert {y for y in below["y"] if y > 0} == {0.88}
    high = [x for x, y in zip(above["x"], above["y"], strict=True) if y > 1]
    assert np.diff(np.log(sorted(high))).max() == pytest.approx(np.log(4), abs=0.1)
    assert {y for y in above["y"] if y > 1} == {1.88}
    p99 = next(d for d in picture.figure["data"] if d.get("name") == "99 % of the loops, up to")
    assert p99["x"] == pytest.approx([10.0, 40.0], rel=0.01)


def test_the_table_holds_each_run_with_its_change() -> None:
    """Loops, mean, change in percent to a tenth, and which runs are held against."""
    at = beside([placed(flat(v, f"{k // 2}", k + 1), f"{k}") for k, v in enumerate(three())])
    heads, rows = beside_table(at)
    assert len(heads) == len(rows[0])
    by = [dict(zip(heads, row, strict=True)) for row in rows]
    assert [r["marks"] for r in by] == ["held against", "held against", ""]
    assert [r["loops"] for r in by] == [600] * 3
    assert [r["period mean ms"] for r in by] == pytest.approx([20.0] * 3)
    assert [r["mean %"] for r in by] == [0.0] * 3


def test_calls_that_have_nothing_to_be_held_against_are_counted() -> None:
    """Five calls are new in the second run: none is drawn, and none is said to be."""
    new = {f"new.{k}": 0.1 for k in range(5)}
    picture = change_map(beside([placed(flat(2.0, "1", 1), "a"), placed(flat(2.0, "2", 2), "b")]))
    assert not any("the table" in note for note in picture.notes)
    picture = change_map(
        beside([placed(flat(2.0, "1", 1), "a"), placed(flat(2.0, "2", 2, **new), "b")])
    )
    assert "5 calls that the runs held against do not have: see the table." in picture.notes
    assert not any(note.startswith("The dearest") for note in picture.notes)
    assert picture.title == "Can't tell what stands out in the last of 2 runs against version 1"
