"""Logs of begins and ends: pairing, nesting, lost edges."""

import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.layouts.edge_rows import LOOPS, check, text


def test_begin_and_end_rows(tmp_path):
    """A call lasts from its begin to its end; both rows of the unfinished loop are set aside."""
    run = read(tmp_path, text(LOOPS))
    check(run)
    assert run.rows_read == 32
    assert run.set_aside.counts == {"unfinished last loop": 8}
    assert run.loop_columns.body_ns.tolist() == [19_000_000] * 3


@pytest.mark.parametrize("layout", [None, "edges"])
def test_two_words_that_are_not_known_are_asked_about(tmp_path, layout):
    """Words that do not open and close by turns may be anything: no instants without length."""
    rows = [(t, name, ("voll", "leer")[k // 2 % 2]) for k, (t, name, _) in enumerate(LOOPS)]
    with pytest.raises(LogError, match="column 3 holds 'leer' and 'voll'"):
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


@pytest.mark.parametrize("header", ["thread", "tid", "who"])
def test_who_makes_calls_of_one_name_keeps_their_loop_whole(tmp_path, header):
    """The sensor's and the drive's own `read` follow each other: one loop in 20 ms, not two."""
    rows = [f"t_ms,{header},name,event"]
    for t in range(0, 1200, 20):
        rows += [f"{t},imu,read,start", f"{t + 3},imu,read,stop"]
        rows += [f"{t + 4},drive,read,start", f"{t + 9},drive,read,stop"]
    assert set(periods_ms(read(tmp_path, "\n".join(rows) + "\n"))) == {20.0}


def test_column_order_does_not_matter(tmp_path):
    """Columns are found by their headers."""
    rows = [(edge, name, t) for t, name, edge in LOOPS]
    check(read(tmp_path, text(rows, "what,name,t_us\n")))


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


def test_name_and_time_alone_fit_two_layouts(tmp_path):
    """Names with one instant each may be loops or edges: the error names both and the option."""
    rows = [(t, name) for t, name, _ in LOOPS]
    with pytest.raises(LogError, match="--layout edges or --layout stamps"):
        read(tmp_path, text(rows, "time_us,event\n"))
    run = read(tmp_path, text(rows, "time_us,event\n"), layout="stamps")
    assert run.layout == "stamps"
    run = read(tmp_path, text(rows, "time_us,event\n"), layout="edges")
    assert run.layout == "edges"


def test_edges_of_one_side_alone(tmp_path):
    """Where no begin has a time that can be, no call is whole, and one line says so."""
    rows = [("1e30" if edge == "begin" else t, name, edge) for t, name, edge in LOOPS]
    with pytest.raises(LogError, match="holds no call that has both a begin and an end"):
        read(tmp_path, text(rows), layout="edges")


def test_a_lock_is_waited_for_from_asking_until_it_is_had(tmp_path):
    """Want and got are the wait, what is held ends as it is let go, and the loop names itself."""
    text, at, waits = "time_us,thread,event,object\n", 0, []
    for k in range(200):
        wait = 9000 if k % 20 == 11 else 15 + k % 3
        waits.append(wait / 1000)
        begin = at + 2000
        if wait == 9000:
            text += f"{begin - 50},cam,got,bus\n"
        rows = [(at, "loop_begin", ""), (at + 5, "begin", "imu"), (at + 1505, "end", "imu"),
                (begin, "want", "bus"), (begin + wait, "got", "bus"),
                (begin + wait + 900, "release", "bus"),
                (begin + wait + 1000, "loop_end", "")]  # fmt: skip
        lines = [f"{t},main,{event},{what}\n" for t, event, what in rows]
        if wait == 9000:
            lines.insert(4, f"{begin + wait - 8},cam,release,bus\n")
        text += "".join(lines)
        at = begin + wait + 1001
    run = read(tmp_path, text)
    pieces = self_ms(run)
    assert pieces["bus wait"] == pytest.approx(waits[: len(run)])
    assert pieces["bus held"] == pytest.approx([0.9] * len(run))
    assert pieces["imu"] == pytest.approx([1.5] * len(run))
    assert periods_ms(run)[:-1] == pytest.approx([3.001 + wait for wait in waits[:-1]])


@pytest.mark.parametrize(
    "row",
    ["{t} {thread} {edge} {name}", "{thread} {t} {edge} {name}", "{t},{name},{edge},{thread}"],
)
@pytest.mark.parametrize("words", [("BEGIN", "END"), ("in", "out"), ("1", "0")])
def test_columns_of_edges_without_a_header(tmp_path, row, words):
    """Time, thread, edge and name in any order: 40 loops of 10 ms, a camera of 6 ms beside them."""
    edges = []
    for k in range(40):
        t = 10_000 * k
        for name, begin, end in (("loop", 0, 9700), ("gyro", 100, 1600), ("drive", 1700, 6000 + k)):
            edges += [(t + begin, 0, name, "main"), (t + end, 1, name, "main")]
    for k in range(12):
        edges += [(33_000 * k + 50, 0, "pull", "cam"), (33_000 * k + 6050, 1, "pull", "cam")]
    edges.sort()
    text = "".join(
        row.format(t=t, thread=thread, edge=words[end], name=name) + "\n"
        for t, end, name, thread in edges
    )
    run = read(tmp_path, text, unit="us")
    assert set(run.loop_columns.period_ns[:-1].tolist()) == {10_000_000}
    took = {name.name: set() for name in run.names}
    calls = run.call_columns
    for code, length in zip(calls.name, calls.duration_ns, strict=True):
        took[run.names[code].name].add(int(length))
    assert took["gyro"] == {1_500_000}
    assert took["pull"] == {6_000_000}


@pytest.mark.parametrize("preempts", [True, False])
def test_tasks_are_threads_where_their_calls_overlap_and_parts_where_they_do_not(
    tmp_path, preempts
):
    """Of 60 loops of 10 ms: the store's flush of 1 ms is cut by the next read, or is not."""
    rows = []
    for k in range(60):
        rows += [(10_000 * k, "control", "enter", "gyro.read"),
                 (10_000 * k + 900, "control", "leave", "gyro.read"),
                 (10_000 * k + 900, "control", "enter", "wheels.write"),
                 (10_000 * k + 2000, "control", "leave", "wheels.write")]  # fmt: skip
        at = 10_000 * k + (9_500 if preempts and k % 4 == 0 else 4000)
        rows += [(at, "store", "enter", "flush"), (at + 1000, "store", "leave", "flush")]
    lines = [" ".join(map(str, row)) for row in sorted(rows, key=lambda row: row[0])]
    run = read(tmp_path, "time_us task event what\n" + "\n".join(lines) + "\n")
    assert {name.name for name in run.names} == {"gyro.read", "wheels.write", "flush"}
    assert len(run.thread_names) == (2 if preempts else 1)
    if not preempts:
        assert {name.name: name.subsystem for name in run.names}["flush"] == "store"
    assert set(periods_ms(run)) == {10.0}


def test_row_numbers_that_begin_anew_order_nothing(tmp_path):
    """Two threads' rows in the order of the clock, numbered on, in bytes, or not at all."""
    rows = []
    for k in range(60):
        for at, thread, name, edge in (
            (0, "main", "loop", "begin"), (100, "main", "imu", "begin"),
            (500, "cam", "grab", "begin"), (2100, "main", "imu", "end"),
            (3000, "main", "drive", "begin"), (8500, "cam", "grab", "end"),
            (9000, "main", "drive", "end"), (15000, "main", "loop", "end"),
        ):  # fmt: skip
            rows.append(f"{20_000 * k + at},{thread},{name},{edge}")
    head = "time_us,thread,name,event"
    logs = ["\n".join([head, *rows])]
    logs += ["\n".join([f"{head},seq", *(f"{row},{n % last}" for n, row in enumerate(rows))])
             for last in (1000, 256)]  # fmt: skip
    for log in logs:
        run = read(tmp_path, log)
        assert periods_ms(run) == [20.0] * 59
        took = self_ms(run)
        assert (set(took["imu"]), set(took["drive"])) == ({2.0}, {6.0})
        assert run.set_aside.counts == {"unfinished last loop": 8}
