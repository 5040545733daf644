"""Lines of the begin and the length of each call, by hand."""

import numpy as np
import pytest

from looptime.parsers.lines.begun_at import read_begun
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import ROWS

PATTERNS = [
    ("loop {k} at {s:.6f}", "   {name}: {s:.6f} + {ms:.3f} ms"),
    ("{k} pass begin={us:.0f}", "{k} {name} begin={us:.0f} took={ns:.0f} ns"),
    ("cycle {k} @ {ms_at:.3f}", "- {name} @ {ms_at:.3f}, for {us_long:.0f} us"),
    ("iteration {k} starts at {s:.4f} s", "{name} from {s:.4f} s, lasted {ms:.1f} ms"),
]


def log(loop, call, rows):
    """Lines of loops, of which `rows` holds the begin and what two calls took [ms]."""
    made = ["tray cart, bench 4"]
    for k, (t, imu, drive) in enumerate(rows):
        at = {"s": t / 1e3, "ms_at": t, "us": t * 1e3}
        made.append(loop.format(k=k, **at))
        for name, begin, ms in (("imu", t, imu), ("drive", t + imu, drive)):
            at = {"s": begin / 1e3, "ms_at": begin, "us": begin * 1e3}
            made.append(call.format(k=k, name=name, ms=ms, us_long=ms * 1e3, ns=ms * 1e6, **at))
    return "\n".join(made) + "\n"


@pytest.mark.parametrize(("loop", "call"), PATTERNS)
def test_begin_and_length_of_each_call(tmp_path, loop, call):
    """Whatever words and units stand between; that of the begin is told by the lengths."""
    rows = [(70 * k + t, imu, drive) for k in range(4) for t, imu, drive in ROWS[:3]]
    run = read(tmp_path, log(loop, call, rows))
    steps = np.diff([row[0] for row in rows])
    assert len(run) == len(steps)
    assert np.allclose(periods_ms(run), steps)
    times = self_ms(run)
    assert np.allclose(times["imu"], [row[1] for row in rows[:-1]])
    assert np.allclose(times["drive"], [row[2] for row in rows[:-1]])


def test_a_call_that_only_some_loops_log(tmp_path):
    """Each fifth loop of 6 ms holds a call of 7 ms more, and no other has any of it."""
    rows, at = [], 12.0
    for k in range(100):
        rows += [f"loop {k} at {at:.6f}", f"  imu: {at + 0.0001:.6f} + 5.500 ms"]
        if k % 5 == 0:
            rows.append(f"  map: {at + 0.0057:.6f} + 7.000 ms")
        at += 0.013 if k % 5 == 0 else 0.006
    run = read(tmp_path, "\n".join(rows) + "\n")
    assert np.allclose(periods_ms(run), [13 if k % 5 == 0 else 6 for k in range(99)], atol=2e-3)
    assert np.allclose(self_ms(run)["map"], [7 if k % 5 == 0 else 0 for k in range(99)])


def test_stamps_of_whole_milliseconds_may_be_alike():
    """What begins and ends within a tick has no share of a step; loops are counted from the first.

    A call before the first loop is of none.
    """
    lines = ["imu: 4 + 0.2 ms"]
    for k in range(8):
        lines += [f"loop at {9 * k + 9}", f"imu: {9 * k + 9} + 0.2 ms", f"arm: {9 * k + 9} + 6 ms"]
    grid = read_begun(lines)
    assert grid.units[0] == "ms"
    assert grid.aside == [(0, "before first loop")]
    assert [row[3] for row in grid.rows[1:]] == [str(k) for k in range(8) for _ in range(3)]


def spoilt(how):
    """Twelve loops of one call, with something that no such log has."""
    lines = [text for k in range(12) for text in (f"loop at {9 * k} ms", f"imu: {9 * k} ms + 4 ms")]
    return {
        "whole": lines,
        "one loop": [lines[0], *lines[1::2]],
        "two units": [*lines, "loop at 0.9 s"],
        "falls": lines[::-1],
        "prose": [*lines, *["the bench is wet"] * 4],
        "few": lines[:11],
    }[how]


@pytest.mark.parametrize("how", ["one loop", "two units", "falls", "prose", "few"])
def test_what_speaks_against_such_a_log(how):
    """Each by itself: of 28 lines 4 are prose, 11 lines hold five calls."""
    assert read_begun(spoilt("whole")) is not None
    two = [line for k in (0, 30) for line in (f"loop at {k} ms", *(f"imu: {k + 9 * n} ms + 4 ms"
           for n in range(3)))]  # fmt: skip
    assert read_begun(two) is not None  # two loops of three calls will do
    assert read_begun(spoilt(how)) is None


def test_what_is_no_such_log():
    """Instants that do not rise, or no line that begins a loop, tell nothing."""
    falling = [f"loop {k} at {90 - k}\nimu: {90 - k} + 3 ms" for k in range(20)]
    assert read_begun("\n".join(falling).split("\n")) is None
    assert read_begun([f"imu: {k} + 3 ms" for k in range(20)]) is None
    assert read_begun(["and so it went on " * 60, "a = b + c: " * 80] * 9) is None
