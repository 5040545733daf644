"""Threads told by what overlaps, where no header names them."""

import json

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.schema import REASONS
from tests.parsers.build import read

MAIN = (("gyro.read", 1.6e6), ("port.send", 2.0e6), ("steer.calc", 2.2e6))
DEVICE = {"gyro.read": "gyro", "port.send": "port", "steer.calc": "none", "frame.grab": "camera"}


def two_threads(seed=4, loops=300):
    """Rows (thread, name, start, length) [ns] of a loop that waits while a second thread grabs."""
    chance, at = np.random.default_rng(seed), 7_000_000_000
    other, rows = at + 500_000, []
    while other < at + loops * 6_500_000:
        took = int(chance.normal(8e6, 3e5))
        rows.append(("vision", "frame.grab", other, took))
        other += took + int(chance.normal(32e6, 1e6))
    held = [(start, start + took) for _, _, start, took in rows]
    for _ in range(loops):
        for name, usual in MAIN:
            took = int(chance.normal(usual, 0.05 * usual))
            if name == "port.send":
                took += max((stop - at for start, stop in held if start <= at < stop), default=0)
            rows.append(("main", name, at, took))
            at += took
        at += int(chance.uniform(1000, 9000))
    return sorted(rows, key=lambda row: row[2])


def edges(rows):
    """The begins and ends of the rows, in order."""
    both = [(start, 1, lane, name) for lane, name, start, _ in rows]
    both += [(start + took, 0, lane, name) for lane, name, start, took in rows]
    return sorted(both)


def as_calls(rows):
    """A table with instants of both ends."""
    lines = [f"{lane};{name};{start / 1e3:.3f};{(start + took) / 1e3:.3f}\n"
             for lane, name, start, took in rows]  # fmt: skip
    return "lane;call;begin_us;end_us\n" + "".join(lines)


def as_numbers(rows):
    """A table whose threads are whole numbers, their column last."""
    code = {"main": 0, "vision": 1}
    lines = [f"{name}\t{took / 1e6:.6f}\t{start / 1e6:.6f}\t{code[lane]}\n"
             for lane, name, start, took in rows]  # fmt: skip
    return "name\tdur_ms\tstart_ms\tcpu_no\n" + "".join(lines)


def as_tasks(rows):
    """A table whose threads stand under a header that may as well name calls."""
    return "task,fn,start_ns,dur_ns\n" + "".join(
        ",".join(map(str, row)) + "\n" for row in rows
    )  # fmt: skip


def as_objects(rows):
    """Lines of JSON."""
    return "".join(
        json.dumps({"th": lane, "fn": name, "t0": start / 1e6, "t1": (start + took) / 1e6}) + "\n"
        for lane, name, start, took in rows
    )


def as_edges(rows):
    """A row for each begin and each end."""
    return "time_us,lane,name,edge\n" + "".join(
        f"{at / 1e3:.3f},{lane},{name},{'begin' if begins else 'end'}\n"
        for at, begins, lane, name in edges(rows)
    )


@pytest.mark.parametrize("written", [as_calls, as_numbers, as_tasks, as_objects, as_edges])
def test_what_overlaps_across_words_and_never_within_one_is_the_thread(tmp_path, written):
    """Every call is used and stands on its thread, whatever the column of the threads is called."""
    rows = two_threads()
    run = read(tmp_path, written(rows))
    reasons = {REASONS[code] for code in run.set_aside.reason}
    assert reasons <= {"before first loop", "unfinished last loop"}
    assert len(run.set_aside) < 12 * (1 + (written is as_edges))
    columns = run.call_columns
    on = {(run.thread_names[t], run.names[n].name)
          for t, n in zip(columns.thread, columns.name, strict=True)}  # fmt: skip
    lanes = {"0": "main", "1": "vision"}
    assert {(lanes.get(t, t), n) for t, n in on} == {row[:2] for row in rows}
    assert "is taken for the thread" in " ".join(run.clock.notes)


@pytest.mark.parametrize("header", ["thread", "task", "name"])
def test_two_threads_of_one_call_each_are_named_by_it(tmp_path, header):
    """Loops of 7 and of 31 ms, each 2 or 9 ms long: they overlap as chance has it."""
    rows = [(at, "control", 2011) for at in range(0, 9_000_000, 7013)]
    rows += [(at, "vision", 9003) for at in range(3000, 9_000_000, 31007)]
    text = f"{header},start_us,duration_us\n" + "".join(
        f"{name},{at},{took}\n" for at, name, took in sorted(rows)
    )
    run = read(tmp_path, text)
    assert set(run.thread_names) == {"control", "vision"}
    assert run.set_aside.counts.keys() <= {"before first loop", "unfinished last loop"}


def test_devices_of_one_thread_are_no_threads(tmp_path):
    """Parts that take turns never overlap: what tells them apart is no thread."""
    rows = two_threads()
    text = "fn,addr,start_us,dur_us\n" + "".join(
        f"{name},{DEVICE[name]},{start / 1e3:.3f},{took / 1e3:.3f}\n"
        for _, name, start, took in rows
    )
    run = read(tmp_path, text)
    assert run.thread_names == ("main",)
    assert "overlaps another call" in {REASONS[code] for code in run.set_aside.reason}


def test_a_column_of_words_among_calls_of_one_thread_is_no_thread(tmp_path):
    """Where nothing overlaps there is one thread."""
    rows = [row for row in two_threads() if row[0] == "main"]
    text = "lane,name,start_ns,duration_ns\n" + "".join(
        f"{'ab'[k % 2]},{name},{start},{took}\n" for k, (_, name, start, took) in enumerate(rows)
    )
    assert read(tmp_path, text).thread_names == ("main",)


@pytest.mark.parametrize("header", ["robot", "unit"])
def test_two_robots_in_one_log_are_no_threads_of_one_loop(tmp_path, header):
    """Calls of the same names that overlap are two loops: refused, and read one by one."""
    chance, rows = np.random.default_rng(8), []
    for robot, late in (("a", 0), ("b", 8000)):
        for k in range(200):
            at, slow = 10_000 * k + late // 20, late if chance.random() < 0.05 else 0
            rows += [(at, robot, "loop", 3700 + slow), (at + 5, robot, "wheels", 2100),
                     (at + 2200, robot, "radio", 700 + slow)]  # fmt: skip
    text = f"t_us,{header},name,dur_us\n" + "".join(
        f"{','.join(map(str, row))}\n" for row in sorted(rows)
    )
    with pytest.raises(LogError, match=f"each has a loop of its own.*--by {header}"):
        read(tmp_path, text)
    path = tmp_path / "both.csv"
    path.write_text(text)
    for run in looptime.read_log(path, by=header).runs:
        assert run.loop_columns.period_ns[1:-1].mean() == pytest.approx(10e6, rel=0.001)
        assert {name.name for name in run.names} == {"wheels", "radio"}


@pytest.mark.parametrize("thread", ["thr", "Thread Name", "lane"])
@pytest.mark.parametrize("name", ["f", "op", "call"])
@pytest.mark.parametrize("objects", [True, False])
def test_threads_are_told_where_no_header_names_calls(tmp_path, thread, name, objects):
    """A few calls of a second thread overlap the loop's: its header, or that they do, tells them.

    A thread that makes several calls is not itself one, however little its own column's header
    says.
    """
    rows = two_threads()
    if objects:
        text = "".join(
            json.dumps({thread: lane, name: call, "t_s": start / 1e9, "dur_s": took / 1e9}) + "\n"
            for lane, call, start, took in rows
        )
    else:
        text = f"{thread},{name},t_s,dur_s\n" + "".join(
            f"{lane},{call},{start / 1e9:.6f},{took / 1e9:.6f}\n"
            for lane, call, start, took in rows
        )
    run = read(tmp_path, text)
    assert set(run.thread_names) == {"main", "vision"}
    assert {call.name for call in run.names} == {row[1] for row in rows}
    assert "overlaps another call" not in {REASONS[code] for code in run.set_aside.reason}


def test_a_task_that_meets_the_loop_now_and_then_is_a_thread(tmp_path):
    """Three calls that overlap show it under such a header; turns in one thread never do."""
    rows = [
        ("ctl", name, 10_000_000 * k + at, 2_000_000)
        for k in range(400)
        for name, at in (("gyro.read", 0), ("steer.set", 3_000_000))
    ]
    rare = [("bms", "bms.query", 10_000_000 * k + 9_000_000, 1_800_000) for k in range(0, 400, 110)]
    text = as_edges([*rows, *rare]).replace("lane,name", "task,call")
    run = read(tmp_path, text)
    assert sorted(run.thread_names) == ["bms", "ctl"]
    (loop,) = np.flatnonzero([name.name == "gyro.read" for name in run.names])
    assert (run.call_columns.name == loop).sum() == len(run)
    alone = read(tmp_path, text.replace("task", "group"), name="other.csv")
    assert "bms" not in alone.thread_names


def test_numbers_of_rows_of_two_threads_miss_none(tmp_path):
    """Rows counted through the log: the numbers of the begins alone have gaps, the log has none."""
    lines = [f"{k},{at},{lane},{'B' if begin else 'E'},{name}\n"
             for k, (at, begin, lane, name) in enumerate(edges(two_threads()))]  # fmt: skip
    header = "seq,time_ns,thread,edge,call\n"
    run = read(tmp_path, header + "".join(lines))
    assert "missing" not in "".join(run.clock.notes)
    assert "rows lost around it" not in run.set_aside.counts
    del lines[1000:1003]
    torn = read(tmp_path, header + "".join(lines), name="torn.csv")
    assert "3 rows are missing, as the sequence numbers tell" in "".join(torn.clock.notes)


def test_a_header_with_the_word_thread_names_the_threads(tmp_path):
    """Also where the first rows show hardly a call of the other thread."""
    rows = [
        ("control", name, 6_000_000 * k + at, 2_000_000)
        for k in range(1200)
        for name, at in (("sense", 0), ("act", 3_000_000))
    ]
    rare = [("writer", "flush", 6_000_000 * k + 1_000_000, 4_500_000) for k in range(900, 1200, 90)]
    run = read(tmp_path, as_edges([*rows, *rare]).replace("lane,name", "task_thread,section"))
    assert sorted(run.thread_names) == ["control", "writer"]
    assert not run.set_aside.counts.get("begin without end", 0)


def without_numbers(rows, head, every, empty):
    """A table whose rows of the second thread, every so many loops one, have no loop's number."""
    own = [row for row in rows if row[0] == "main"]
    number = {row[2]: k // len(MAIN) for k, row in enumerate(own)}
    others = [row for row in rows if row[0] != "main"][::every]
    lines = [f"{number[at] if lane == 'main' else empty};{lane};{name};{at / 1e6:.3f};{took / 1e6}"
             for lane, name, at, took in sorted(own + others, key=lambda row: row[2])]  # fmt: skip
    return "\n".join([head, *lines]) + "\n"


@pytest.mark.parametrize("every", [1, 20])
@pytest.mark.parametrize("empty", ["", "-", "-1"])
@pytest.mark.parametrize(
    "head",
    [
        "loop;lane;call;start_ms;took_ms",
        "Durchlauf;Faden;Aufruf;Beginn [ms];Dauer [ms]",
        "passage;fil;appel;debut [ms];duree [ms]",
    ],
)
def test_calls_that_are_in_no_loop_are_another_threads(tmp_path, head, empty, every):
    """However few there are: each row of one word lacks the number, none of the other."""
    run = read(tmp_path, without_numbers(two_threads(), head, every, empty))
    assert set(run.thread_names) == {"main", "vision"}
    assert len(run) == 299
    assert "overlaps another call" not in run.set_aside.counts


def test_rows_before_the_first_loop_are_no_thread(tmp_path):
    """A start-up that stands in no loop is on the loop's thread: nothing there overlaps."""
    rows = [row for row in two_threads() if row[0] == "main"]
    begun = [f";boot;open.port;{at / 1e6};0.9" for at in range(10**9, 10**9 + 40_000_000, 10**6)]
    lines = [f"{k // len(MAIN)};run;{name};{at / 1e6};{took / 1e6}"
             for k, (_, name, at, took) in enumerate(rows)]  # fmt: skip
    head = "loop;state;call;start_ms;took_ms"
    run = read(tmp_path, "\n".join([head, *begun, *lines]) + "\n")
    assert (len(run.thread_names), len(run)) == (1, 299)
