"""Begins and ends of calls, paired."""

import numpy as np

from looptime.parsers.layouts.pairing import pair
from tests.parsers.build import read, self_ms
from tests.parsers.layouts.edge_rows import LOOPS, check, text


def test_lost_edges(tmp_path):
    """A begin without end and an end without begin cost their own row each, not the others."""
    rows = [row for at, row in enumerate(LOOPS) if at not in (2, 11)]
    run = read(tmp_path, text(rows))
    assert self_ms(run)["gyro.read"] == [0.0, 1.4, 1.4]
    # without its begin the second drive.update is not known; the encoder in it is
    assert self_ms(run)["drive.update"] == [2.2, 0.0, 2.2]
    assert self_ms(run)["encoder.read"] == [0.8] * 3
    assert run.set_aside.counts == {
        "unfinished last loop": 8,
        "begin without end": 1,
        "end without begin": 1,
    }
    assert run.set_aside.line.tolist()[:2] == [3, 14]


def test_end_before_begin_in_time(tmp_path):
    """Of a pair whose end lies before its begin one stamp is wrong; both rows are set aside."""
    second = [(20_000, "loop", "begin"), (20_400, "gyro.read", "begin"),
              (20_300, "gyro.read", "end"), (39_000, "loop", "end")]  # fmt: skip
    rows = [*LOOPS[:8], *second, *LOOPS[16:]]
    run = read(tmp_path, text(rows))
    assert run.set_aside.counts["corrupt stamp"] == 1
    alone = ("begin without end", "end without begin")
    assert sum(run.set_aside.counts.get(reason, 0) for reason in alone) == 1


def test_threads_are_paired_apart(tmp_path):
    """The same call on two threads at once is two calls."""
    rows = []
    for k in range(4):
        t = k * 10_000
        rows += [
            (t, "main", "a.read", "begin"), (t + 10, "io", "a.read", "begin"),
            (t + 500, "main", "a.read", "end"), (t + 600, "main", "b.write", "begin"),
            (t + 900, "main", "b.write", "end"), (t + 2010, "io", "a.read", "end"),
        ]  # fmt: skip
    run = read(tmp_path, text(rows, "time_us,thread,name,edge\n"))
    calls = run.calls
    assert (calls[calls.thread == "io"].duration_ns == 2_000_000).all()
    assert self_ms(run)["a.read"] == [0.5] * 3


def test_sequence_numbers_restore_the_order(tmp_path):
    """Rows that stand out of order are paired in the order of their sequence numbers."""
    rows = [(*row, k) for k, row in enumerate(LOOPS)]
    rows[2], rows[3] = rows[3], rows[2]
    check(read(tmp_path, text(rows, "time_us,name,edge,seq\n")))


def test_recursion():
    """A call that calls itself is paired inside out, also where an edge is lost elsewhere."""
    side = [0, 0, 1, 1] * 5 + [1]
    found = pair(np.array(side), np.array([7] * 20 + [9]))
    assert sorted(zip(found.begin.tolist(), found.end.tolist(), strict=True))[:2] == [
        (0, 3),
        (1, 2),
    ]
    assert found.stray.tolist() == [20]


def test_lost_end_of_a_call_that_does_not_recur():
    """A begin of a call that is still open means that its end was lost."""
    side, name = [0, 1, 0, 0, 1, 0, 1, 0, 1], [1] * 9
    found = pair(np.array(side), np.array(name))
    assert found.open.tolist() == [2]
    assert sorted(found.begin.tolist()) == [0, 3, 5, 7]
