"""What changes half-way in a log is refused, mended or told."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.layouts.half_way import zero_stamps
from tests.parsers.build import periods_ms, read

START = np.arange(60) * 20_000


def calls(rows, header="name,start_us,duration_us"):
    """A log of timed calls."""
    return header + "\n" + "".join(f"{name},{at},{took}\n" for name, at, took in rows)


def two_calls(first="gyro.read", second="drive.write"):
    """Loops of 20 ms with two calls."""
    return [row for at in START.tolist() for row in ((first, at, 3000), (second, at + 4000, 5000))]


def test_a_name_spelled_anew_is_the_same_call(tmp_path):
    """The second half writes GYRO_READ: one call, once a loop."""
    rows = two_calls()
    rows[60:] = [(n.replace("gyro.read", "GYRO_READ"), at, d) for n, at, d in rows[60:]]
    run = read(tmp_path, calls(rows))
    assert [name.name for name in run.names] == ["gyro.read", "drive.write"]
    assert periods_ms(run) == [20] * 59
    assert "line 62: 'gyro.read' is written 'GYRO_READ' from here on" in run.clock.notes[0]


def test_names_alike_at_the_same_time_are_two_calls(tmp_path):
    """Both in each loop: neither is the other."""
    run = read(tmp_path, calls(two_calls("arm.read", "ARM.read")))
    assert len(run.names) == 2
    assert not run.clock.notes


def test_a_call_that_comes_no_more_is_named(tmp_path):
    """The gyro is in no row of the second half; where rows are sorted by name nothing is said."""
    rows = two_calls()
    left = rows[:60] + [row for row in rows[60:] if row[0] != "gyro.read"]
    run = read(tmp_path, calls(left))
    assert run.clock.notes == ("'gyro.read' stands in no row after line 60",)
    by_name = read(tmp_path, calls(sorted(rows, key=lambda row: row[0])))
    assert not any("stands in no row" in note for note in by_name.clock.notes)


def test_a_single_row_is_no_other_spelling(tmp_path):
    """Names met once each that differ by a space stay two calls."""
    rows = [*two_calls(), ("line break", 615_000, 10), ("line  break", 635_000, 10)]
    rows.sort(key=lambda row: row[1])
    run = read(tmp_path, calls(rows))
    assert {"line break", "line  break"} <= {name.name for name in run.names}


def test_names_cut_off_are_told(tmp_path):
    """Three rows of 120 have lost letters; calls whose names begin another's at a dot have not."""
    rows = two_calls()
    for at, word in ((11, "drive.wri"), (40, "gy"), (71, "dri")):
        rows[at] = (word, *rows[at][1:])
    assert "3 rows have names that end within a word" in read(tmp_path, calls(rows)).clock.notes[0]
    rows = two_calls()
    for at, word in ((11, "drive"), (40, "gyro"), (71, "drive.write.late")):
        rows[at] = (word, *rows[at][1:])
    assert not read(tmp_path, calls(rows)).clock.notes


def test_a_clock_that_stands_before_it_counts_in_steps(tmp_path):
    """A tenth of the rows at one instant, the rest on a clock of 10 ms: read, none lost."""
    at = [0] * 30 + [10_000 * (k + k // 3) for k in range(1, 270)]
    rows = [(("gyro.read", "drive.write")[k % 2], time, 1000) for k, time in enumerate(at)]
    log = tmp_path / "log.csv"
    log.write_text(calls(rows), encoding="utf-8")
    found = looptime.read_log(log, cache=False)
    assert found.rows_read == len(rows)


def test_stamps_of_zero_are_corrupt(tmp_path):
    """A clock that was not read for three rows: they are set aside, and no run begins there."""
    rows = [(at, 90) for at in (START + 7).tolist()]
    rows[30:33] = [(0, 90)] * 3
    text = "time_us,heading\n" + "".join(f"{at},{h}\n" for at, h in rows)
    run = read(tmp_path, text)
    assert run.set_aside.counts["corrupt stamp"] == 3
    assert set(periods_ms(run)) == {20}


@pytest.mark.parametrize("factor", [1000, 0.001])
def test_a_clock_in_another_unit_half_way_is_refused(tmp_path, factor):
    """From line 32 on, times are in ns, or in ms: one line says where to cut."""
    at = [1_000_000 + at * (factor if k >= 30 else 1) + (factor - 1) * 1_000_000 * (k >= 30)
          for k, at in enumerate(START.tolist())]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("time_us,heading\n" + "".join(f"{t:.3f},90\n" for t in at), encoding="utf-8")
    with pytest.raises(LogError, match=r"log\.csv:32: from this line on times and their steps are"):
        looptime.read_log(path)


@pytest.mark.parametrize("second", ["time_ms,gyro_ms,drive_ms", "gyro_us,time_us,drive_us"])
def test_a_header_of_other_columns_half_way_is_refused(tmp_path, second):
    """Another unit or another order: the rows below mean something else."""
    rows = [f"{at},3000,5000" for at in START.tolist()]
    path = tmp_path / "log.csv"
    text = "\n".join(["time_us,gyro_us,drive_us", *rows[:30], second, *rows[30:]])
    path.write_text(text + "\n", encoding="utf-8")
    with pytest.raises(LogError, match=r"log\.csv:32: a second header names other columns"):
        looptime.read_log(path)


def test_a_loop_written_when_it_ends_may_begin_at_zero():
    """The clock begins with the first loop, whose row follows those of its calls."""
    time = np.insert(np.arange(40) * 1000, 20, 0)
    length = np.full(41, 900)
    assert zero_stamps(time, length).tolist() == [20]
    length[20] = 19_950  # from 0 until after the call before it began
    assert zero_stamps(time, length).tolist() == []
