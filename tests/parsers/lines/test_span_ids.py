"""Begins and ends that a number of their own holds together."""

import pytest

from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.span_ids import name_ends
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
            text.append(line.format(t=(10_000 * k + at) / 1000, i=number[name], n=name))
    return "\n".join(text)


@pytest.mark.parametrize(
    ("header", "begin", "end"),
    [("time_ms\tev\tspan\tname", "{t}\topen\t{i}\t{n}", "{t}\tclose\t{i}\t"),
     ("time_ms,ev,span,name", "{t},begin,{i},{n}", "{t},end,{i}"),
     ("time_ms,id,name,event", "{t},{i},{n},B", "{t},{i},-,E"),
     ("t_ms type call key", "{t} start {n} {i:x}", "{t} stop - {i:x}"),
     ("t_ms ev span name", "{t} enter {i} {n}", "{t} leave {i}"),
     ("# ms", "{t} ms open {i} {n}", "{t} ms close {i}")],
)  # fmt: skip
@pytest.mark.parametrize("ids", [lambda n: 501 + n, lambda n: n % 4])
def test_ends_are_of_the_begin_with_their_number(tmp_path, header, begin, end, ids):
    """Numbers that go on, and those that are used again, pair the same calls."""
    run = read(tmp_path, log(header, begin, end, ids))
    assert set(periods_ms(run)) == {10.0}
    took = {name: round(sum(ms) / len(ms), 6) for name, ms in self_ms(run).items()}
    assert (took["imu"], took["observe"], took["write"]) == (3.0, 1.0, 2.0)


def test_numbers_that_hold_nothing_together():
    """Where begins and ends have other numbers, nothing is made up."""
    grid = Grid([], names=["t", "ev", "n", "name"], units=[None] * 4)
    grid.rows = [[str(k), "end" if k % 2 else "begin", str(k), "" if k % 2 else "imu"]
                 for k in range(40)]  # fmt: skip
    assert name_ends(grid) is None
    assert grid.rows[1][3] == ""
