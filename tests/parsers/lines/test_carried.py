"""Values that are written when they change hold on; those that are written now and then do not."""

import numpy as np
import pytest

from looptime.parsers.lines.carried import carry
from looptime.parsers.lines.grid import Grid
from tests.parsers.build import periods_ms, read

STEPS = [11, 12, 12, 11, 13, 12, 12, 12, 11, 11]


def test_a_length_written_on_change_holds_until_the_next(tmp_path):
    """Loops counted one by one, their length rounded to whole ms and left out where it is alike."""
    rng = np.random.default_rng(3)
    steps = rng.choice([11.0, 12.0, 13.0], 400, p=[0.4, 0.5, 0.1])
    rows, at, last = [], 5.0, None
    for k, step in enumerate(steps):
        at += step / 1000
        rows.append(f"{at:.5f},turn,{k}\n")
        if step != last:
            rows.append(f"{at + 0.00004:.5f},loop_ms,{step:.0f}\n")
        last = step
    run = read(tmp_path, "t,entry,value\n" + "".join(rows))
    assert np.allclose(periods_ms(run), steps[1 : len(run) + 1], atol=0.02)
    assert len(run) >= 398
    assert "loop_ms: written on change, so held until the next value" in run.clock.notes


def test_a_phase_written_once_holds_until_the_next(tmp_path):
    """Fifty loops of 50 ms and then of 20 ms, each mode written once, before its first loop."""
    rows, at = [], 0.0
    for k in range(200):
        if k in (0, 50):
            rows.append(f"{at:.4f},mode,{'rest' if k == 0 else 'drive'}\n")
        rows.append(f"{at + 0.0001:.4f},loop,{k}\n{at + 0.003:.4f},aim_ms,{2 + k % 3 / 10}\n")
        at += 0.05 if k < 50 else 0.02
    run = read(tmp_path, "seconds,key,value\n" + "".join(rows))
    phases = run.loops.groupby("phase", observed=True)["period_ns"]
    assert {name: len(part) for name, part in phases} == {"rest": 50, "drive": 149}
    assert {name: round(part.median() / 1e6) for name, part in phases} == {"rest": 50, "drive": 20}


def test_a_length_taken_every_other_loop_is_none_of_the_others(tmp_path):
    """A part that is written in every second loop took no time in those between."""
    rows = "".join(
        f"{20 * k},loop,{k}\n" + f"{20 * k + 3},imu_ms,{STEPS[k % 10]}\n"
        + (f"{20 * k + 9},arm_ms,{2 + k // 2 % 2}\n" if k % 2 == 0 else "")
        for k in range(200)
    )  # fmt: skip
    run = read(tmp_path, "t_ms,key,value\n" + rows)
    calls = run.calls[run.calls["name"] == "arm"]
    assert 95 <= (calls["duration_ns"] > 0).sum() <= 101


def carried(loops, values, count):
    """What loops hold of a length that is written behind a turn's number in some of `count`."""
    names, written = ["turn", "loop_ms"], dict(zip(loops, values, strict=True))
    entries = [(2 * k, {0: f"{k}"}) for k in range(count)]
    entries += [(2 * k + 1, {1: f"{ms}"}) for k, ms in written.items()]
    rows = [[f"{k // 2}", str(written.get(k // 2, ""))] if k % 2 == 0 else None
            for k in range(2 * count)]  # fmt: skip
    grid = Grid([""] * 2 * count, rows, names, [None, "ms"])
    carry(grid, [[2 * k, 2 * k + 1] for k in range(count)], sorted(entries), 0)
    return [row[1] for row in rows if row is not None], grid.notes


#: Loops that two of three hold: they come at no pace.
SOME = [k for k in range(40) if k % 3]


def test_a_length_behind_all_else_of_a_loop_is_that_loops_own():
    """11 and 12 ms by turns, of which each loop in three writes none: it holds the one before."""
    values = [11 + k % 2 for k in range(12)]
    made, notes = carried(SOME[:12], values, 18)
    assert made == ["", *(str(values[k - k // 3 - 1]) for k in range(1, 18))]
    assert notes == ["loop_ms: written on change, so held until the next value"]


@pytest.mark.parametrize(
    ("loops", "values"),
    [
        (SOME[:12], [11, 11, 12, 11, 12, 12, 11, 12, 11, 12, 11, 12]),
        (list(range(18)), [11, 12] * 9),
        (list(range(0, 36, 2)), [11, 12] * 9),
        (SOME[:10], [11, 12] * 5),
        (SOME[:12], list(range(12))),
    ],
    ids=["repeats one", "is in each loop", "keeps a pace", "may not repeat by chance", "counts"],
)
def test_what_is_not_written_on_change(loops, values):
    """Of n values of two kinds, n / 2 - 1 are those before by chance: of 12 five, of 10 only four.

    A value that repeats one, or comes at a pace, is written whether it changed or not.
    """
    count = loops[-1] + 1
    made, notes = carried(loops, values, count)
    assert [made[k] for k in loops] == list(map(str, values))
    assert sum(map(bool, made)) == len(loops)
    assert not notes
