"""Which thread is the loop's, numbers that begin anew, and calls that share their instants."""

import numpy as np
import pytest

import looptime
from looptime.parsers.assemble import spans
from looptime.parsers.layouts.contract import CallRows
from looptime.parsers.text.cells import Want, number_column
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms

HEADER = "loop,thread,name,start_us,duration_us\n"


def test_the_loops_thread_is_met_in_every_loop(tmp_path):
    """A thread with more call names that misses loops does not stand for the loop."""
    text = HEADER
    for k in range(100):
        t = 20_000 * k
        text += f"{k},work,gyro.read,{t},3000\n{k},work,drive.write,{t + 5000},2000\n"
        if k % 3 == 0:
            text += "".join(f"{k},cam,cam.{p},{t + 900 * i},500\n" for i, p in enumerate("abc"))
    run = read(tmp_path, text)
    assert run.thread_names[run.loop_thread] == "work"
    assert periods_ms(run) == [20.0] * 99


@pytest.mark.parametrize("wrap", [256, 300])
def test_numbers_that_begin_anew_while_the_clock_goes_on(tmp_path, wrap):
    """An 8-bit counter, or a new session with a pause before it: no loop is thrown away."""
    pause = 3_000_000 if wrap == 300 else 0
    starts = [20_000 * k + pause * (k // wrap) for k in range(600)]
    text = "".join(f"{k % wrap},main,gyro.read,{t},3000\n" for k, t in enumerate(starts))
    path = tmp_path / "log.csv"
    path.write_text(HEADER + text, encoding="utf-8")
    runs = looptime.read_log(path, cache=False).runs
    whole = [299, 299] if pause else [599]
    assert [periods_ms(run) for run in runs] == [[20.0] * count for count in whole]
    assert [run.loop_columns.loop[0] for run in runs] == [0] * len(whole)
    assert all(run.set_aside.counts == {"unfinished last loop": 1} for run in runs)


def test_of_two_calls_with_the_same_instants_the_later_row_encloses(tmp_path):
    """A recorder writes a call as it ends, the inner one first."""
    text = "# looptime-recorder: java 1\n" + HEADER
    for k in range(50):
        t = 20_000 * k
        text += f"{k},main,gyro.read,{t},3000\n{k},main,drive.update,{t},3000\n"
        text += f"{k},main,mast.write,{t + 5000},2000\n"
    own = self_ms(read(tmp_path, text))
    assert (own["gyro.read"], own["drive.update"]) == ([3.0] * 49, [0.0] * 49)


def test_a_thread_that_ends_early_does_not_keep_rows_together(monkeypatch):
    """Cuts are found although a thread has no rows after the first ones."""
    monkeypatch.setattr(spans, "SPAN_ROWS", 10)
    start = np.arange(100) * 1000
    thread = np.zeros(100, np.int16)
    thread[0] = 1
    rows = CallRows(start, np.full(100, 900), np.zeros(100, np.int8), ["a"], thread, ["m", "boot"],
                    loop=np.arange(100))  # fmt: skip
    assert len(spans.cuts_of(rows, 2)) > 8


def test_the_least_number_of_64_bits_is_no_duration():
    """It is unreadable, and its sign does not overflow on the way."""
    import pyarrow as pa

    column = pa.chunked_array([pa.array([5, -(2**63), 7])])
    want = Want("duration", 0, "time", 1, True, span=True)
    ns, wrong = number_column(column, want, sniff("duration_ns\n5\n", "a.csv"), as_text=False)
    assert wrong.tolist() == [0, 2, 0]
    assert (ns.tolist(), ns.dtype) == ([5, 0, 7], np.int32)


def test_lengths_are_widened_where_one_comes_late_that_is_long(tmp_path):
    """A call of 3 s after many short ones is kept as it is."""
    rows = [f"{k},main,a.read,{20_000 * k},900\n" for k in range(9000)]
    rows.append(f"9000,main,a.read,{20_000 * 9000},3000000\n9001,main,a.read,{183_100_000},1\n")
    run = looptime.read(_written(tmp_path, HEADER + "".join(rows)))
    assert int(run.call_columns.duration_ns[-1]) == 3_000_000_000


def _written(folder, text):
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(("calls", "loop"), [(("grab", "find"), "fast"), (("grab",), "fast")])
def test_of_two_threads_with_a_loop_each_the_one_that_keeps_a_beat_is_the_loops(
    tmp_path, calls, loop
):
    """A camera's loop of 30 to 36 ms begins the log, and one of 5 ms on the dot runs beside it."""
    rng = np.random.default_rng(2)
    rows, at = [], 0.0
    while at < 4e6:
        length = rng.uniform(30e3, 36e3)
        rows += [(at, "cam", "slow", length - 100)]
        rows += [(at + 50 + 14e3 * k, "cam", call, 13e3) for k, call in enumerate(calls)]
        at += length
    for k in range(1, 790):
        rows += [(5000 * k, "fast", "tick_body", 2600), (5000 * k + 10, "fast", "in", 1200),
                 (5000 * k + 1300, "fast", "out", 1200)]  # fmt: skip
    text = "".join(f"{who},{name},{t:.0f},{us:.0f}\n" for t, who, name, us in sorted(rows))
    run = read(tmp_path, "thread,name,start_us,duration_us\n" + text)
    assert run.thread_names[run.loop_thread] == loop
    assert set(periods_ms(run)) == {5.0}


def test_a_steady_thread_with_few_calls_beside_the_loop_is_none(tmp_path):
    """Status is sent every 4 ms sharp, by one call; the loop of three calls runs as it can."""
    rng = np.random.default_rng(3)
    rows, at = [], 0.0
    while at < 2e6:
        rows += [(at + 3e3 * k, "work", call, 2.5e3) for k, call in enumerate(("a", "b", "c"))]
        at += rng.uniform(9.5e3, 12e3)
    rows += [(4000 * k + 7, "radio", "send", 300) for k in range(490)]
    text = "".join(f"{who},{name},{t:.0f},{us:.0f}\n" for t, who, name, us in sorted(rows))
    run = read(tmp_path, "thread,name,start_us,duration_us\n" + text)
    assert run.thread_names[run.loop_thread] == "work"


@pytest.mark.parametrize(("apart", "told"), [(3, True), (4000, False)])
def test_two_loops_in_one_column_of_tasks_are_told_apart_by_it(tmp_path, apart, told):
    """Two tasks of 2 ms, each every 10 ms: where they begin together, their calls overlap."""
    rng = np.random.default_rng(4)
    rows = sorted(
        (10_000 * k + lag + int(rng.integers(0, 30)), name, 2000 + int(rng.integers(0, 90)))
        for k in range(400)
        for lag, name in ((0, "arm"), (apart, "lift"))
    )
    path = tmp_path / "log.csv"
    path.write_text("task,start_us,dur_us\n" + "".join(f"{n},{s},{d}\n" for s, n, d in rows))
    said = [one for one in looptime.read(path).clock.limits if "--by task tells of each" in one]
    assert bool(said) == told
    assert [len(run) for run in looptime.read_log(path, by="task").runs] == [399, 399]
