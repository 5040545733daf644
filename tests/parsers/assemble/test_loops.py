"""Where the loops of a log of calls begin and end."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from tests.parsers.assemble.build import HEADER, by_name, write
from tests.parsers.build import balance, read


def test_recurring_call_marks_the_loop(tmp_path):
    """Without a loop column the call that recurs once a cycle begins each loop."""
    rows = "".join(
        f"gyro.read,{k * 1000},300\nmotor.write,{k * 1000 + 400},100\n" for k in range(5)
    )
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert run.loop_columns.period_ns.tolist() == [1_000_000] * 4
    assert by_name(run) == {"gyro.read": [300.0] * 4, "motor.write": [100.0] * 4}
    assert run.unattributed_ns().tolist() == [600_000] * 4
    assert run.set_aside.counts == {"unfinished last loop": 2}
    assert "gyro.read" in run.loop_from
    balance(run)


@pytest.mark.parametrize("order", ["start", "end"])
def test_row_that_encloses_the_whole_loop(tmp_path, order):
    """An enclosing row is the loop and no call; what it covers beyond the calls is unattributed."""
    rows = []
    for k in range(4):
        t = k * 1000
        outer, inner = f"loop,{t},900\n", f"gyro.read,{t + 100},300\n"
        rows += [outer, inner] if order == "start" else [inner, outer]
    run = looptime.read(write(tmp_path, HEADER + "".join(rows)))
    assert [name.name for name in run.names] == ["gyro.read"]
    assert run.loop_columns.body_ns.tolist() == [900_000] * 3
    assert run.unattributed_ns().tolist() == [700_000] * 3
    balance(run)


@pytest.mark.parametrize("wait", [3000, 11000])
def test_an_enclosing_row_beside_which_the_loop_waits(tmp_path, wait):
    """However long the loop waits for its next tick, the row around the calls is the loop."""
    step = 9000 + wait
    rows = "".join(
        f"gyro.read,{k * step + 10},3000\nsystems,{k * step},9000\nsleep,{k * step + 9000},{wait}\n"
        for k in range(6)
    )
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert run.loop_from == "'systems', which encloses the loop"
    assert by_name(run) == {"gyro.read": [3000.0] * 5, "sleep": [float(wait)] * 5}
    assert run.unattributed_ns().tolist() == [6_000_000] * 5
    balance(run)


def test_a_row_of_all_the_work_is_the_loop(tmp_path):
    """A row says what the loop worked, and nothing else is logged: the rest it slept."""
    rows = "".join(f"work,{k * 20000},{7000 + 500 * (k % 3)}\n" for k in range(7))
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert run.loop_from == "'work', which encloses the loop"
    assert run.loop_columns.body_ns.tolist() == [7e6, 7.5e6, 8e6, 7e6, 7.5e6, 8e6]
    beside = "".join(f"work,{k * 20000},7000\nscan,{k * 20000 + 9000},5000\n" for k in range(7))
    assert looptime.read(write(tmp_path, HEADER + beside)).loop_columns.body_ns is None


def test_enclosing_rows_without_gaps_close_the_last_loop(tmp_path):
    """Where enclosing rows tile the time, the last of them is a whole loop too."""
    rows = "".join(f"gyro.read,{k * 1000 + 100},300\nloop,{k * 1000},1000\n" for k in range(4))
    run = looptime.read(write(tmp_path, HEADER + rows))
    assert len(run) == 4
    assert len(run.set_aside) == 0
    balance(run)


def test_loop_column(tmp_path):
    """A loop column numbers the loops; each begins at its earliest row."""
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{k + 7},a,{k * 1000 + 10},5\n{k + 7},b,{k * 1000 + 20},5\n" for k in range(3)
    )
    run = looptime.read(write(tmp_path, text))
    assert run.loop_columns.loop.tolist() == [7, 8]
    assert run.loop_columns.start_ns.tolist() == [10_000, 1_010_000]
    assert run.loop_from == "the loop column"
    balance(run)


def test_lost_loops_make_no_long_period(tmp_path):
    """Where loop numbers are missing, no period spans the hole."""
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{k},a,{k * 1000},5\n" for k in (0, 1, 2, 8, 9, 10)
    )
    run = looptime.read(write(tmp_path, text))
    assert run.loop_columns.loop.tolist() == [0, 1, 8, 9]
    assert set(run.loop_columns.period_ns.tolist()) == {1_000_000}
    assert run.set_aside.counts == {"unfinished last loop": 1, "rows lost around it": 1}
    balance(run)


def test_lost_loops_across_a_wrap_make_no_long_period(tmp_path):
    """Loops 254 to 257 of an 8-bit number are lost: no period holds their time."""
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{k % 256},a,{k * 1000},5\n" for k in range(600) if not 254 <= k <= 257
    )
    run = looptime.read(write(tmp_path, text))
    assert run.loop_columns.period_ns.tolist() == [1_000_000] * (600 - 4 - 2)
    balance(run)


@pytest.mark.parametrize("together", [2, 3, 40])
def test_lost_loops_leave_the_last_whole_one(together, tmp_path):
    """Rows of loops that end where the next begins, many lost: each that has its row is a loop."""
    kept = [n for n in range(200) if n % (together + 3) < together]
    text = "loop,name,start_us,duration_us\n" + "".join(
        f"{n},step,{1000 * n + 100},200\n{n},loop,{1000 * n},1000\n" for n in kept
    )
    text += f"{kept[-1] + 1},step,{1000 * kept[-1] + 1100},200\n"  # cut short: no row of its own
    run = looptime.read(write(tmp_path, text))
    assert run.loop_columns.loop.tolist() == kept
    assert set(run.loop_columns.period_ns.tolist()) == {1_000_000}
    assert run.set_aside.counts == {"unfinished last loop": 1}
    balance(run)


def test_loop_call_option(tmp_path):
    """The caller may name the call that begins a loop; an unknown name gets the nearest."""
    rows = "".join(
        f"gyro.read,{k * 1000},300\nmotor.write,{k * 1000 + 400},100\n" for k in range(5)
    )
    path = write(tmp_path, HEADER + rows)
    run = looptime.read(path, loop_call="motor.write")
    assert run.loop_columns.start_ns[0] == 400_000
    assert run.set_aside.counts == {"before first loop": 1, "unfinished last loop": 1}
    balance(run)
    with pytest.raises(LogError, match=r"nearest is 'motor\.write'"):
        looptime.read(path, loop_call="motor.writ")


@pytest.mark.parametrize("first", [True, False])
@pytest.mark.parametrize("every", [3, 5])
@pytest.mark.parametrize("names", [("sense", "camera"), ("encoders", "lidar")])
def test_a_call_in_some_loops_only_does_not_mark_them(tmp_path, names, every, first):
    """One call in each loop, one in every third or fifth, before it or after it: 20 ms, not 60."""
    rng, rows = np.random.default_rng(3), []
    often, rare = names
    for k in range(400):
        t, calls = 20_000 * k + int(rng.integers(0, 50)), [(often, 4000)]
        if k % every == 0:
            calls.insert(0 if first else 1, (rare, 9000))
        for name, least in calls:
            took = least + int(rng.integers(0, 100))
            rows.append(f"{name},{t},{took}")
            t += took + 30
    run = read(tmp_path, "\n".join(["name,start_us,duration_us", *rows]) + "\n")
    assert len(run) == 399
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(np.full(399, 20.0), abs=0.06)


@pytest.mark.parametrize("slow", ["belt.write", "gyro.read"])
@pytest.mark.parametrize("turned", [False, True])
def test_a_late_loop_of_a_paced_program_begins_without_a_wait(tmp_path, slow, turned):
    """Three calls each 15 ms, of which one takes 20 ms in every 31st loop: the next begins late."""
    rows, now, begins = [], 0, []
    for k in range(620):
        now = max(now, 15_000 * k)
        begins.append(now)
        calls = ["gyro.read", "wheel.read", "belt.write"]
        for name in calls[1:2] + calls[:1] + calls[2:] if turned and k % 2 else calls:
            took = 20_000 if name == slow and k % 31 == 7 else 1500
            rows.append(f"{name},{now},{took}\n")
            now += took
    run = read(tmp_path, "name,start_us,duration_us\n" + "".join(rows))
    assert run.loop_columns.period_ns.tolist() == (1000 * np.diff(begins)).tolist()
