"""Reading takes work that grows with the log as a line does, whatever the log has many of."""

import contextlib
import sys
import tracemalloc

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.lines import grid


def sections(names, loops=12):
    """A name for each row of a loop."""
    rng = np.random.default_rng(1)
    rows = [f"s{k},{rng.gamma(9, 0.1):.3f}" for _ in range(loops) for k in range(names)]
    return "\n".join(["section,duration_ms", *rows, ""])


def sums(names, loops=30):
    """Half of the names are sums of two others, far from them: much to look through in vain."""
    rng = np.random.default_rng(2)
    rows = []
    for _ in range(loops):
        parts = rng.gamma(9, 0.1, names)
        parts[::2] = parts[::2] + parts[::-2]
        rows += [f"s{k},{value:.3f}" for k, value in enumerate(parts)]
    return "\n".join(["section,duration_ms", *rows, ""])


def costs(names, loops=30):
    """A column for each name."""
    rng = np.random.default_rng(3)
    rows = [
        ",".join([str(20 * k), *(f"{x:.5f}" for x in rng.gamma(9, 0.5 / names, names))])
        for k in range(loops)
    ]
    return "\n".join(["time_ms," + ",".join(f"p{k}_ms" for k in range(names)), *rows, ""])


def sums_of_columns(names, loops=30):
    """Every eleventh column is the sum of the ten before it."""
    rng = np.random.default_rng(6)
    took = rng.gamma(9, 0.1 / names, (loops, names // 11, 10))
    table = np.concatenate([took, took.sum(axis=2, keepdims=True)], axis=2).reshape(loops, -1)
    rows = [",".join([str(20 * k), *(f"{x:.6f}" for x in row)]) for k, row in enumerate(table)]
    head = ["time_ms", *(f"p{k}_ms" for k in range(table.shape[1]))]
    return "\n".join([",".join(head), *rows, ""])


def longer_than_the_loop(names, loops=120):
    """Columns that together last longer than the loop, so that some lie in others or beside it."""
    rng = np.random.default_rng(5)
    rows = [
        ",".join([f"{8000 * k + rng.integers(0, 300)}", *map(str, rng.integers(500, 1500, names))])
        for k in range(loops)
    ]
    return "\n".join(["time_us," + ",".join(f"p{k}_us" for k in range(names)), *rows, ""])


def stages(names, loops=30):
    """An instant for each name."""
    rows = [",".join(str(20_000 * j + 7 * k) for k in range(names + 1)) for j in range(loops)]
    head = ["loop_start_us", *(f"s{k}_end_us" for k in range(names))]
    return "\n".join([",".join(head), *rows, ""])


def calls(names, loops=12):
    """A call of each name in every loop, and a counter that wraps."""
    rows = [f"c{k},{(20_000 * j + 12 * k) % 65_536},9" for j in range(loops) for k in range(names)]
    return "\n".join(["name,start_us,duration_us", *rows, ""])


def edges(names, loops=12):
    """Begin and end of each name in every loop."""
    rows = []
    for j in range(loops):
        for k in range(names):
            at = 20_000 * j + 12 * k
            rows += [f"{at},c{k},begin", f"{at + 9},c{k},end"]
    return "\n".join(["time_us,name,edge", *rows, ""])


def pasted(count):
    """The same block of rows again and again, cut off at other places each time."""
    rows = [f"{k},{k * k % 997},3.{k % 7}" for k in range(40)]
    text = [row for k in range(count // 20) for row in rows[: 20 + k % 20]]
    return "\n".join(["loop,gyro_ms,total_ms", *text, ""])


def restarts(count):
    """A clock that begins anew after every few rows."""
    rows = [f"{20 * (k % 9) + k % 3},{k % 5}" for k in range(count)]
    return "\n".join(["time_ms,heading", *rows, ""])


def columns(count):
    """A column of words beside a clock for each of a few rows."""
    words = ["drive", "arm", "imu"]
    rows = [f"{20 * k}," + ",".join(words[(k + at) % 3] for at in range(count)) for k in range(60)]
    return "\n".join(["time_ms," + ",".join(f"c{at}" for at in range(count)), *rows, ""])


def names_of_each_run(count):
    """A clock that begins anew, and a call whose name is another each time."""
    rows = []
    for k in range(count // 40):
        for j in range(20):
            rows += [f"x{k}_{j},{20_000 * j},4000", f"drive.read,{20_000 * j + 5000},{4000 + j}"]
    return "\n".join(["name,start_us,duration_us", *rows, ""])


def a_name_a_line(count):
    """Lines that name their values, one of them by a name of its own in each line."""
    rng = np.random.default_rng(4)
    took = rng.integers(1000, 2000, count)
    return "".join(
        f"[{8000 * k + k % 7} us] g{k}.read={took[k]}us drive.read={900 + k % 31}us\n"
        for k in range(count)
    )


def an_object_a_line(count):
    """Objects with a key of its own in each."""
    return "".join(
        f'{{"time_us": {8000 * k + k % 7}, "g{k}_us": {900 + k % 5}, "drive_us": {900 + k % 31}}}\n'
        for k in range(count)
    )


def a_key_a_row(count):
    """A long table whose keys come back for a while, and then do not."""
    rows = [
        f"{8000 * k + k % 7},g{max(k - count // 2, 0)}_us,{900 + k % 5}\n"
        f"{8000 * k + 4000},drive_us,{900 + k % 31}\n"
        for k in range(count)
    ]
    return "time_us,key,value\n" + "".join(rows)


def a_section_a_loop(count):
    """A section in each loop that no other loop has."""
    rows = [f"g{k},{900 + k % 5}\ndrive,{900 + k % 31}\n" for k in range(count)]
    return "section,duration_us\n" + "".join(rows)


def a_call_a_loop(count):
    """A call in each loop that no other loop has; every 50th loop is long."""
    rows = []
    for k in range(count):
        at = 8000 * (k + k // 50) + k % 7
        rows.append(f"g{k},{at},900\ndrive,{at + 3000},{900 + k % 31}\n")
    return "name,start_us,duration_us\n" + "".join(rows)


def read(path):
    """Read a log, whatever becomes of it."""
    with contextlib.suppress(LogError):
        looptime.read_log(path, cache=False)


def memory(path):
    """Bytes in use at once while a log is read."""
    tracemalloc.start()
    try:
        read(path)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def work(path):
    """Python functions and generators entered while a log is read, on this thread."""
    count = 0

    def note(_frame, event, _what):
        nonlocal count
        count += event == "call"

    sys.setprofile(note)
    try:
        read(path)
    finally:
        sys.setprofile(None)
    return count


def growth(tmp_path, make, size, measure):
    """How many times as much is measured of a log twice as long."""
    found = []
    for many in (size, size, 2 * size):  # the first read also loads modules
        path = tmp_path / f"{many}.csv"
        path.write_text(make(many), encoding="utf-8")
        found.append(measure(path))
    return found[2] / found[1]


@pytest.mark.parametrize(
    ("make", "size"),
    [
        (sections, 300), (sums, 100), (costs, 300), (sums_of_columns, 330), (stages, 300),
        (calls, 300), (edges, 300),
        (pasted, 2000), (restarts, 2000), (names_of_each_run, 2000),
        (longer_than_the_loop, 60), (columns, 40), (a_name_a_line, 600), (an_object_a_line, 600),
        (a_section_a_loop, 500),
    ],
)  # fmt: skip
def test_twice_as_much_is_twice_the_work(tmp_path, monkeypatch, make, size):
    """Where work grew with the square, four times as much would be done for twice the log."""
    monkeypatch.setattr(grid, "_MOST_CELLS", 10_000)
    assert growth(tmp_path, make, size, work) < 2.7


@pytest.mark.parametrize(
    ("make", "size"),
    [(a_name_a_line, 600), (an_object_a_line, 600), (a_key_a_row, 2100), (a_section_a_loop, 1500),
     (names_of_each_run, 1000), (sections, 150), (columns, 40), (a_call_a_loop, 1500)],
)  # fmt: skip
def test_twice_as_much_takes_twice_the_memory(tmp_path, monkeypatch, make, size):
    """A cell for every name in every loop would take four times as much."""
    monkeypatch.setattr(grid, "_MOST_CELLS", 10_000)
    assert growth(tmp_path, make, size, memory) < 2.7


def test_names_without_a_column_are_told_of(tmp_path, monkeypatch):
    """Where each line has a name of its own, figures of the others stand and a caution says so."""
    monkeypatch.setattr(grid, "_MOST_CELLS", 10_000)
    path = tmp_path / "log.txt"
    path.write_text(a_name_a_line(600), encoding="utf-8")
    (run,) = looptime.read_log(path, cache=False).runs
    assert len(run) == 599
    assert any("names (g" in note and "are left out" in note for note in run.clock.notes)
    pieces = run.self_pieces()
    drive = [name.name for name in run.names].index("drive.read")
    took = pieces.self_ns[pieces.name == drive]
    assert took.sum() == sum(900 + k % 31 for k in range(599)) * 1000
