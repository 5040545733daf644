"""Stretches of two logs in turn, or of one in no order, are told; new runs are not."""

import numpy as np
import pytest

import looptime


def _lines(layout, time):
    if layout == "stamps":
        return [[f"{t:.3f}"] for t in time]
    if layout == "costs":
        return [[f"{t:.3f},1.5,4.25"] for t in time]
    if layout == "calls":
        return [[f"gyro.read,{t:.3f},1.5", f"drive.write,{t + 2:.3f},4.25"] for t in time]
    parts = (("gyro.read", 0.0, 1.5), ("drive.write", 2.0, 4.25))
    return [
        [row for name, at, ms in parts
         for row in (f"{t + at:.3f},{name},begin", f"{t + at + ms:.3f},{name},end")]
        for t in time
    ]  # fmt: skip


HEADERS = {"stamps": "time_ms", "costs": "time_ms,gyro_ms,drive_ms",
           "calls": "name,start_ms,duration_ms", "edges": "time_ms,name,edge"}  # fmt: skip


def _notes(tmp_path, layout, *stretches):
    """What is said of stretches of instants, one after another."""
    rows = [row for time in stretches for loop in _lines(layout, time) for row in loop]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([HEADERS[layout], *rows]) + "\n", encoding="utf-8")
    notes = [note for run in looptime.read_log(path).runs for note in run.clock.notes]
    return [note for note in dict.fromkeys(notes) if "the clock goes back" in note]


def _time(seed, first_ms, count=400):
    return first_ms + np.cumsum(np.random.default_rng(seed).uniform(9.2, 10.8, count))


@pytest.mark.parametrize("layout", HEADERS)
@pytest.mark.parametrize("later_ms", [900, 3])
def test_two_logs_in_turn_in_blocks(tmp_path, layout, later_ms):
    """50 loops of each at a time: the second began 0.9 s later, or nearly when the first did."""
    one, two = _time(1, 500), _time(2, 500 + later_ms)
    blocks = [half for k in range(0, 400, 50) for half in (one[k : k + 50], two[k : k + 50])]
    (said,) = _notes(tmp_path, layout, *blocks)
    assert "two logs may stand in turn" in said


@pytest.mark.parametrize("layout", HEADERS)
def test_blocks_of_a_log_in_no_order(tmp_path, layout):
    """Eight blocks of 100 loops, each of which goes on from another that stands before it."""
    time = _time(3, 500, 800).reshape(8, 100)
    (said,) = _notes(tmp_path, layout, *time[[0, 4, 1, 5, 2, 6, 3, 7]])
    assert "to where an earlier stretch left off" in said


@pytest.mark.parametrize("layout", HEADERS)
def test_new_runs_and_a_clock_that_was_set_are_in_order(tmp_path, layout):
    """Clocks that begin anew, one after a longer start; and one set back by half a second."""
    assert not _notes(tmp_path, layout, _time(4, 80), _time(5, 110), _time(6, 95), _time(7, 700))
    time = _time(8, 500, 800)
    assert not _notes(tmp_path, layout, time[:400], time[400:] - 500)
