"""A line of whatever length is looked at in time that grows as it does, wherever it stands."""

import contextlib
import time

import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.lines.shapes import Shapes
from looptime.parsers.lines.spread import spread_objects
from looptime.parsers.registry import check_name
from looptime.parsers.text.angles import stated_angles
from looptime.parsers.text.sniff import stated_unit

ROWS = [f"t={20_000 * k} gyro={2000 + k % 7}us drive={900 + k % 5}us" for k in range(40)]
TABLE = ["time_ms,gyro,drive", *(f"{20 * k},{2 + k % 3},{5 + k % 4}" for k in range(40))]


def seconds(what, *asked):
    """Processor time of this thread, of the quicker of two tries."""
    tries = []
    for _ in range(2):
        begin = time.thread_time()
        with contextlib.suppress(LogError):
            what(*asked)
        tries.append(time.thread_time() - begin)
    return min(tries)


def check(what, make, size):
    """Four times the length takes about four times as long; its square would take sixteen times."""
    seconds(what, make(100))  # loads modules
    assert seconds(what, make(4 * size)) < 9 * seconds(what, make(size)) + 0.2


@pytest.mark.parametrize(
    "lines",
    [
        lambda long: [*ROWS[:20], long, *ROWS[20:]],
        lambda long: [f"# {long}", *TABLE],
        lambda long: [TABLE[0] + long, *TABLE[1:]],
    ],
    ids=["between rows", "remark", "header"],
)
@pytest.mark.parametrize(
    "pump", ["[1,", "unit ", "(1 us", "in deg/ ", "_ ", "1_000'", '"\\', "freq"]
)
def test_a_long_line(tmp_path, lines, pump):
    """A log with one line that is nothing but the same again and again."""
    path = tmp_path / "log.txt"

    def read(long):
        path.write_text("\n".join([*lines(long), ""]), encoding="utf-8")
        with contextlib.suppress(LogError):
            looptime.read_log(path, cache=False)

    check(read, lambda size: pump * (size // len(pump)), 10_000)


def test_a_line_of_many_keys():
    """A line that is expected, and one that differs at its end."""

    def read(line):
        shapes = Shapes()
        shapes.expect(line)
        for _ in range(5):
            shapes.read(line)
            shapes.read(line + "!")

    check(read, lambda size: " ".join(f"k{k}={k}.5" for k in range(size)), 1250)


@pytest.mark.parametrize(
    ("what", "make"),
    [
        (lambda text: stated_unit([text]), lambda n: "time " * n),
        (lambda text: stated_angles([text]), lambda n: "units: deg" + " " * n + "!"),
        (lambda text: check_name("a.json", text), lambda n: '{"a": [' + "1" * n),
        (lambda text: check_name("a.md", text), lambda n: "\t" * n),
        (lambda text: spread_objects(["{", *['"a": 1,'] * 99, text, "}"]), lambda n: '"\\' * n),
    ],
    ids=["unit", "angles", "document", "page", "objects"],
)
def test_a_long_text(what, make):
    """Texts in which a search would begin anew at each letter and go on to the end."""
    check(what, make, 20_000)


def test_brackets_that_are_never_closed_name_what_stands_in_them_once():
    """Each number in brackets has the name behind it, however many open before it."""
    line = "loop 7: (" + " / (".join(f"{k} p{k}" for k in range(1, 6)) + ")"
    sentence, numbers = Shapes().read(line)
    assert numbers == ["7", "1", "2", "3", "4", "5"]
    assert sentence.names == ("loop", "p1", "p2", "p3", "p4", "p5")
