"""Logs of begins and ends: pairing, nesting, lost edges."""

import numpy as np
import pytest

from looptime.errors import LogError
from looptime.parsers.layouts.pairing import pair
from tests.parsers.build import periods_ms, read, self_ms, unattributed_ms

LOOPS = [
    (k * 20_000 + t, name, edge)
    for k in range(4)
    for t, name, edge in (
        (0, "loop", "begin"),
        (100, "gyro.read", "begin"),
        (1500, "gyro.read", "end"),
        (2000, "drive.update", "begin"),
        (2100, "encoder.read", "begin"),
        (2900, "encoder.read", "end"),
        (5000, "drive.update", "end"),
        (19_000, "loop", "end"),
    )
]


def text(rows, header="time_us,name,edge\n"):
    """Rows as a log."""
    return header + "".join(",".join(map(str, row)) + "\n" for row in rows)


def check(run):
    """The four loops of `LOOPS`, the last of them unfinished."""
    assert run.layout == "edges"
    assert periods_ms(run) == [20.0] * 3
    assert self_ms(run) == {
        "gyro.read": [1.4] * 3,
        "drive.update": [2.2] * 3,
        "encoder.read": [0.8] * 3,
    }
    assert unattributed_ms(run) == [15.6] * 3


def test_begin_and_end_rows(tmp_path):
    """A call lasts from its begin to its end; both rows of the unfinished loop are set aside."""
    run = read(tmp_path, text(LOOPS))
    check(run)
    assert run.rows_read == 32
    assert run.set_aside.counts == {"unfinished last loop": 8}
    assert run.loop_columns.body_ns.tolist() == [19_000_000] * 3


@pytest.mark.parametrize("layout", [None, "edges"])
def test_two_words_that_are_not_known_are_asked_about(tmp_path, layout):
    """Edges in words of another language are no instants without length."""
    rows = [(t, name, ("anfang", "ende")[edge == "end"]) for t, name, edge in LOOPS]
    with pytest.raises(LogError, match="column 3 holds 'anfang' and 'ende'"):
        read(tmp_path, text(rows, "time,name,which way\n"), layout=layout)


@pytest.mark.parametrize(
    "words",
    [("B", "E"), ("start", "stop"), ("enter", "exit"), ("in", "out"), ("1", "0"), ("+", "-")],
)
def test_words_for_the_edges(tmp_path, words):
    """Begin and end are told by the words in the column, whatever they are called."""
    rows = [(t, name, words[edge == "end"]) for t, name, edge in LOOPS]
    check(read(tmp_path, text(rows)))


@pytest.mark.parametrize("joined", ["{name} {edge}", "{edge}:{name}", "{name}.{edge}"])
def test_edge_within_the_name(tmp_path, joined):
    """The edge may stand in the name."""
    rows = [(t, joined.format(name=name, edge=edge)) for t, name, edge in LOOPS]
    check(read(tmp_path, text(rows, "time_us,event\n")))


def test_column_order_does_not_matter(tmp_path):
    """Columns are found by their headers."""
    rows = [(edge, name, t) for t, name, edge in LOOPS]
    check(read(tmp_path, text(rows, "what,name,t_us\n")))


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


def test_log_that_ends_within_a_loop(tmp_path):
    """The begin of the loop under way at the end closes the loop before it."""
    run = read(tmp_path, text(LOOPS[:26]))
    assert periods_ms(run) == [20.0] * 3
    assert run.set_aside.counts == {"unfinished last loop": 1, "begin without end": 1}


def test_edge_that_is_neither(tmp_path):
    """An edge that no word list knows sets its row aside."""
    many = [(t + 80_000 * k, name, edge) for k in range(20) for t, name, edge in LOOPS]
    many.insert(500, (many[499][0], "gyro.read", "hm"))
    run = read(tmp_path, text(many))
    assert run.set_aside.counts == {"unfinished last loop": 8, "not a row": 1}
    assert set(self_ms(run)["gyro.read"]) == {1.4}


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


def test_name_and_time_alone_fit_two_layouts(tmp_path):
    """Names with one instant each may be loops or edges: the error names both and the option."""
    rows = [(t, name) for t, name, _ in LOOPS]
    with pytest.raises(LogError, match="--layout edges or --layout stamps"):
        read(tmp_path, text(rows, "time_us,event\n"))
    run = read(tmp_path, text(rows, "time_us,event\n"), layout="stamps")
    assert run.layout == "stamps"
    run = read(tmp_path, text(rows, "time_us,event\n"), layout="edges")
    assert run.layout == "edges"


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
