"""Columns that count the loops, whatever they are called: what is told of a loop names its row."""

import pytest

from looptime.parsers.columns_taken import columns_taken
from tests.parsers.build import read


def log(header, first=500, lost=()):
    """Loops of 9 ms and a little with two parts each, numbered from `first` on."""
    rows, now = [], 0.0
    for k in range(80):
        gyro, drive = 2 + 0.01 * (k % 7), 6 + 0.02 * (k % 5)
        if k not in lost:
            rows.append(f"{first + k},{now:.3f},{gyro:.2f},{drive:.2f}")
        now += gyro + drive + 0.8 + 0.01 * (k % 3)
    return "\n".join([f"{header},time_ms,gyro_ms,drive_ms", *rows]) + "\n"


@pytest.mark.parametrize(
    "header",
    ["Nr", "No.", "#", "lfd", "lfd. Nr.", "Zyklus", "iteration", "idx", "cycle", "n", "Durchlauf",
     "zaehler", "step", "frame"],
)  # fmt: skip
def test_a_column_that_goes_up_by_one_numbers_the_loops(tmp_path, header):
    """Its name says so, or its values do: it is no signal, and the loops have its numbers."""
    run = read(tmp_path, log(header))
    assert run.loops["loop"].tolist() == list(range(500, 500 + len(run)))
    assert run.signals is None
    taken = columns_taken(tmp_path / "log.csv", cache=False).columns
    assert [c.taken_as for c in taken] == ["loop number", "clock", "part", "part"]


def test_numbers_that_are_passed_over_are_loops_that_are_missing(tmp_path):
    """Rows 30 and 31 were lost on the way: the other numbers stay."""
    run = read(tmp_path, log("Nr", lost=(30, 31)))
    assert run.clock.missing == {"count": 2, "column": "Nr"}
    assert {529, 532} & set(run.loops["loop"].tolist()) == {532}  # 529 lasts until nobody knows


@pytest.mark.parametrize("header", ["heading", "battery_mv", "level"])
def test_a_value_of_the_robot_that_goes_up_evenly_is_a_signal(tmp_path, header):
    """A turn of one degree a loop, and what has a unit."""
    run = read(tmp_path, log(header, first=20))
    assert run.loops["loop"].tolist() == list(range(len(run)))
    assert run.signals is not None
