"""Begins and ends that a number of their own holds together."""

import pytest

from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.span_ids import by_span_ids, name_ends
from tests.parsers.build import periods_ms, read, self_ms


def log(header, begin, end, ids=lambda n: 501 + n):
    """80 loops of 10 ms: observing takes 4 ms, 3 of them in the imu, and writing 2 ms."""
    text, n = [header] if header else [], 0
    for k in range(80):
        number = {name: ids(n + j) for j, name in enumerate(("round", "observe", "imu", "write"))}
        n += 4
        for at, side, name in (
            (0, 0, "round"), (0, 0, "observe"), (500, 0, "imu"), (3500, 1, "imu"),
            (4000, 1, "observe"), (5000, 0, "write"), (7000, 1, "write"), (10_000, 1, "round"),
        ):  # fmt: skip
            line = end if side else begin
            cells = {"t": (10_000 * k + at) / 1000, "i": number[name], "n": name, "w": "ab"[k % 2]}
            text.append(line.format(**cells))
    return "\n".join(text)


@pytest.mark.parametrize(
    ("header", "begin", "end"),
    [("time_ms\tev\tspan\tname", "{t}\topen\t{i}\t{n}", "{t}\tclose\t{i}\t"),
     ("time_ms,ev,span,name", "{t},begin,{i},{n}", "{t},end,{i}"),
     ("time_ms,id,name,event", "{t},{i},{n},B", "{t},{i},-,E"),
     ("time_ms,ev,span,name", "{t},+,{i},{n}", "{t},-,{i},"),
     ("time_ms,what,span,name", "{t},1,{i},{n}", "{t},0,{i},"),
     ("t_ms type call key", "{t} start {n} {i:x}", "{t} stop - {i:x}"),
     ("t_ms ev span name", "{t} enter {i} {n}", "{t} leave {i}"),
     ("# ms", "{t} ms open {i} {n}", "{t} ms close {i}"),
     ("", "{t} ms open {i} {n}", "{t} ms close {i}"),
     ("", "{w};3;{t};ms;open;{i};{n};{w}1", "{w};3;{t};ms;close;{i};;{w}1"),
     ("# ms", "{t},open,{i},{n},3{i}.5", "{t},close,{i},,3{i}.5"),
     ("time_ms,ev,span,rank,name", "{t},begin,{i},7,{n}", "{t},end,{i},,")],
)  # fmt: skip
@pytest.mark.parametrize("ids", [lambda n: 501 + n, lambda n: n % 4])
def test_ends_are_of_the_begin_with_their_number(tmp_path, header, begin, end, ids):
    """Numbers that go on, and those that are used again, pair the same calls."""
    run = read(tmp_path, log(header, begin, end, ids))
    assert set(periods_ms(run)) == {10.0}
    took = {name: round(sum(ms) / len(ms), 6) for name, ms in self_ms(run).items()}
    assert (took["imu"], took["observe"], took["write"]) == (3.0, 1.0, 2.0)
    assert not len(run.set_aside)


def test_numbers_that_hold_nothing_together():
    """Where begins and ends have other numbers, nothing is made up."""
    grid = Grid([], names=["t", "ev", "n", "name"], units=[None] * 4)
    grid.rows = [[str(k), "end" if k % 2 else "begin", str(k), "" if k % 2 else "imu"]
                 for k in range(40)]  # fmt: skip
    assert name_ends(grid) is None
    assert grid.rows[1][3] == ""


def rows_of(*rows):
    """A table of rows with a clock before them."""
    grid = Grid([], names=["t", "ev", "n", "name"], units=[None] * 4)
    grid.rows = [list(map(str, (at, *row))) for at, row in enumerate(rows)]
    return grid


def test_five_calls_are_named_from_the_first_on():
    """Ten rows, of which the very first begins what the second ends."""
    grid = rows_of(*(row for k in range(5) for row in (("begin", k, "imu"), ("end", k, ""))))
    assert name_ends(grid) == (1, 3, 2)
    assert {row[3] for row in grid.rows} == {"imu"}


@pytest.mark.parametrize(
    "rows",
    [
        [("begin", k, "imu") for k in range(40)],  # nothing ends
        [row for k in range(20) for row in (("begin", k, "imu"), ("end", k if k % 2 else -k, ""))],
        [row for k in range(20) for row in (("begin", 7, "imu"), ("end", 7, ""))],
        [row for k in range(20) for row in (("begin", k, "imu"), ("end", k, "done"))],
        [row for k in range(4) for row in (("begin", k, "imu"), ("end", k, ""))],
    ],
)
def test_rows_that_are_not_held_together(rows):
    """No ends, every other one of another number, one number for all, ends that name, few rows."""
    grid = rows_of(*rows)
    assert name_ends(grid) is None
    assert grid.rows == rows_of(*rows).rows


def test_what_holds_of_the_first_lines_only_is_not_believed():
    """A log whose later ends have other numbers than their begins; none, and a header alone."""
    header = "t_ms,ev,span,name"
    good, bad = (
        [line for k in range(150)
         for line in (f"{2 * k},open,{k},imu", f"{2 * k + 1},close,{k + off},")]
        for off in (0, 5000)
    )  # fmt: skip
    for first in ([header], []):
        text = [*first, *good]
        assert by_span_ids(text, lambda text=text: [*text, *bad]) is None
    assert by_span_ids([header, *good], lambda: [header, *good]) is not None
    assert by_span_ids([], list) is by_span_ids([header], lambda: [header]) is None


def test_units_that_differ_from_row_to_row_are_none_of_the_column():
    """A logger that prints 900 us and 3 ms: the clock of the table is not in either."""
    text = [line for k in range(30) for line in
            (f"{2 * k} us open {k} imu", f"{2 * k + 1} ms close {k}")]  # fmt: skip
    grid = by_span_ids(text, lambda: text)
    assert grid is None or not any(grid.units)
