"""Rows that are missing are counted, and the loops around them are left out."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.clock.missing import find_missing
from tests.parsers.build import read

HEAD = "thread,seq,name,start_us,duration_us\n"


def calls(loops=30):
    """Loops of 10 ms with a read of 2 ms and a write of 3 ms, numbered row by row."""
    return [
        f"main,{2 * k + j},{name},{10_000 * k + at},{length}\n"
        for k in range(loops)
        for j, (name, at, length) in enumerate(
            (("gyro.read", 0, 2000), ("drive.write", 2500, 3000))
        )
    ]


def test_gaps_of_threads_that_count_on_their_own():
    """Each thread's numbers go up by one; what one lacks is not told by the other."""
    number = np.array([0, 0, 1, 1, 3, 2])
    thread = np.array([0, 1, 0, 1, 0, 1])
    found = find_missing(number, thread)
    assert (found.count, found.before.tolist(), found.after.tolist()) == (1, [2], [4])
    assert find_missing(np.array([0, 7, 3, 12, 40]), None) is None


def test_a_lost_call_leaves_its_loop_out(tmp_path):
    """The write of loop 8 is gone: 28 loops with 5 ms each are left, and the count is said."""
    rows = calls()
    lost = rows.pop(2 * 8 + 1)
    assert ",17," in lost
    run = read(tmp_path, HEAD + "".join(rows))
    assert len(run) == 28
    assert (10_000_000 * 8) not in run.loop_columns.start_ns.tolist()
    assert (np.unique(run.unattributed_ns()) == [5_000_000]).all()
    assert "1 row is missing, as the sequence numbers tell: the loops around them are left out" in (
        run.clock.notes
    )
    assert run.set_aside.counts == {"rows lost around it": 1, "unfinished last loop": 2}


def test_whole_loops_that_are_lost_harm_no_other(tmp_path):
    """Loops 8 to 11 are gone: the loop before them has no known end, the next is whole."""
    rows = calls()
    run = read(tmp_path, HEAD + "".join(rows[:16] + rows[24:]))
    starts = (run.loop_columns.start_ns // 10_000_000).tolist()
    assert starts == [k for k in range(29) if k not in (7, 8, 9, 10, 11)]
    assert (run.loop_columns.period_ns == 10_000_000).all()


def test_where_most_loops_lack_a_call_none_is_left_out(tmp_path):
    """Every third row gone, in nearly every loop: all stay, and what is too low is said."""
    rows = [row for at, row in enumerate(calls()) if at % 3 != 2]
    run = read(tmp_path, HEAD + "".join(rows))
    assert any("costs a loop are too low" in note for note in run.clock.notes)
    assert any(note.startswith("19 rows are missing") for note in run.clock.notes)


def test_lost_edges_leave_their_loop_out(tmp_path):
    """An end is gone whose number tells it: the loop is not used."""
    rows = []
    for k in range(30):
        for name, at, length in (("gyro.read", 0, 2000), ("drive.write", 2500, 3000)):
            rows += [(10_000 * k + at, name, "begin"), (10_000 * k + at + length, name, "end")]
    lines = [f"{j},{t},{name},{side}\n" for j, (t, name, side) in enumerate(rows)]
    del lines[4 * 8 + 3]
    run = read(tmp_path, "seq,time_us,name,edge\n" + "".join(lines))
    assert (10_000_000 * 8) not in run.loop_columns.start_ns.tolist()
    assert any(note.startswith("1 row is missing") for note in run.clock.notes)
    assert (np.unique(run.unattributed_ns()) == [5_000_000]).all()


def test_numbers_that_begin_anew_without_a_clock_are_two_runs(tmp_path):
    """Two recordings joined, 40 rows of 5 ms and 25 of 7 ms, are told apart by their numbers."""
    rows = [f"{k},2,3,5\n" for k in range(40)] + [f"{k},4,3,7\n" for k in range(25)]
    path = tmp_path / "log.csv"
    path.write_text("index,gyro_ms,drive_ms,total_ms\n" + "".join(rows), encoding="utf-8")
    one, two = looptime.read_log(path).runs
    assert (len(one), len(two)) == (40, 25)
    assert set(one.loop_columns.period_ns.tolist()) == {5_000_000}
    assert set(two.loop_columns.period_ns.tolist()) == {7_000_000}
    assert two.loop_columns.start_ns[0] == 0
    assert one.clock.restarts == (42,)


def test_lost_loops_without_a_clock_are_counted(tmp_path):
    """Numbers that skip 4 loops say so; lengths stay as they are."""
    rows = [f"{k},2,3,5\n" for k in range(60) if k not in (20, 21, 40, 50)]
    run = read(tmp_path, "loop,gyro_ms,drive_ms,total_ms\n" + "".join(rows))
    assert "4 loops are missing, as the numbers tell" in run.clock.notes


TIMES = [20 * k + k % 3 for k in range(80)]
SHUFFLED = np.random.default_rng(4).permutation(TIMES).tolist()
PAIRS = [t + extra for t in TIMES for extra in (0, 7003)]


@pytest.mark.parametrize(
    ("times", "why"),
    [
        (TIMES[::-1], "fall from row to row: put the oldest row first"),
        (SHUFFLED, "in no order: sort the rows by time"),
        (PAIRS, "2 logs stand line by line"),
    ],
)
@pytest.mark.parametrize("layout", ["stamps", "costs", "stages"])
def test_instants_in_no_order_are_refused(tmp_path, times, why, layout):
    """No step between rows that are strangers becomes a period, nor an instant a length."""
    head, row = {
        "stamps": ("time_ms,heading", "{0},1"),
        "costs": ("time_ms,gyro_ms,drive_ms", "{0},3,4"),
        "stages": ("loop_start_ms,gyro_end_ms,drive_end_ms", "{0},{1},{2}"),
    }[layout]
    text = head + "\n" + "".join(row.format(t, t + 3, t + 7) + "\n" for t in times)
    with pytest.raises(LogError, match=why):
        read(tmp_path, text)


def test_a_leap_that_nothing_explains_is_told(tmp_path):
    """2 s ahead between loops of 20 ms: a stall or a set clock; in a part that took it, a stall."""
    times = [20 * k + (2000 if k > 30 else 0) for k in range(60)]
    text = "loop,time_ms,gyro_ms\n" + "".join(f"{k},{t},5\n" for k, t in enumerate(times))
    notes = read(tmp_path, text).clock.notes
    assert "line 33: the clock goes ahead by 2.02 s in which nothing was timed" in notes[0]
    rows = [f"{k},{t},{2005 if k == 30 else 5}\n" for k, t in enumerate(times)]
    assert read(tmp_path, "loop,time_ms,gyro_ms\n" + "".join(rows)).clock.notes == ()


def test_numbers_that_begin_anew_after_a_rest_are_two_runs(tmp_path):
    """The clock goes on, but loops count from 0 again 3 s later: no loop lasts so long."""
    rows = [f"{k},{20 * k}\n" for k in range(50)] + [f"{k},{4000 + 20 * k}\n" for k in range(30)]
    path = tmp_path / "log.csv"
    path.write_text("loop,time_ms\n" + "".join(rows), encoding="utf-8")
    one, two = looptime.read_log(path).runs
    assert (len(one), len(two)) == (49, 29)
    assert one.clock.restarts == (52,)


def test_numbers_of_eight_bits_are_one_run(tmp_path):
    """A number that begins anew after 255 is that of a byte, stall or not."""
    rows = [f"{k % 256},{20 * k + (900 if k >= 256 else 0)}\n" for k in range(400)]
    assert len(read(tmp_path, "loop,time_ms\n" + "".join(rows))) == 399


def test_loops_whose_first_call_is_lost_do_not_double_others(tmp_path):
    """Every 7th row of loops of 3 is gone: the first calls' numbers tell which periods are two."""
    rows = [
        f"{3 * k + j},{name},{10_000 * k + 2000 * j},1500\n"
        for k in range(200)
        for j, name in enumerate(("gyro.read", "mast.read", "drive.write"))
    ]
    kept = [row for at, row in enumerate(rows) if at % 7 != 6]
    run = read(tmp_path, "seq,name,start_us,duration_us\n" + "".join(kept))
    assert "85 rows are missing, as the sequence numbers tell" in run.clock.notes[0]
    assert set(run.loop_columns.period_ns.tolist()) == {10_000_000}
    assert len(run) >= 80  # each lost row may cost the loop before it, too
