"""One loop that makes most of a change of the mean, and what is said where nothing changed."""

from dataclasses import replace

import numpy as np
import pytest

from tests.checks.build import CALLS, recording
from tests.checks.compare.build import compare_sides


def stalled(run, loop, ms, call="telemetry.send"):
    """The run with one call of one loop longer by so much; outside all calls for None."""
    at, more = run.call_columns, int(ms * 1e6)
    period = run.loop_columns.period_ns.copy()
    period[loop] += more
    start = np.cumsum(period) - period
    moved = (start - run.loop_columns.start_ns)[at.loop]
    duration, own = at.duration_ns.copy(), at.self_ns.copy()
    if call is not None:
        code = [name.name for name in run.names].index(call)
        row = int(np.flatnonzero((at.loop == loop) & (at.name == code))[0])
        duration[row] += more
        own[row] += more
        moved[(at.loop == loop) & (np.arange(len(moved)) > row)] += more
    calls = replace(at, start_ns=at.start_ns + moved, duration_ns=duration, self_ns=own)
    loops = replace(run.loop_columns, start_ns=start, period_ns=period)
    return replace(run, loop_columns=loops, call_columns=calls)


def side(first, count=3, **keys):
    return [recording(first + k, source=f"{first + k}.csv", **keys) for k in range(count)]


@pytest.mark.parametrize("call", ["telemetry.send", "drive.motors.write", None])
def test_a_stall_that_makes_the_change_is_told(call):
    """2 s in one of three runs of 4,000 loops: 2000/3/n ms on the mean, nothing else changed."""
    after = side(20)
    after[1] = stalled(after[1], 2500, 2000.0, call)
    found = compare_sides(side(10), after)
    at, loops = found.stall, found.after[1].loops
    assert at.after
    assert at.call == call
    assert at.ms == pytest.approx(2008.0, rel=1e-3)
    assert at.adds_ms == pytest.approx(2000.0 / 3 / loops, rel=1e-3)
    assert at.without_ms == pytest.approx(found.explained.difference_ms - at.adds_ms)
    words = next(text for text in found.sentences if "One stall of" in text)
    assert found.sentences.index(words) <= 2
    assert at.run in words
    assert (f", in {call}," in words) == (call is not None)


def test_one_before_hides_what_got_slower():
    """Each loop takes 1 % longer; a stall before it is as much: without it the 1 % are there."""
    before = side(10)
    before[0] = stalled(before[0], 900, 1000.0)
    found = compare_sides(before, side(20, scale=1.01))
    assert not found.stall.after
    assert found.stall.adds_ms < 0 < found.stall.without_ms
    assert found.stall.without_percent == pytest.approx(1.0, abs=0.35)


@pytest.mark.parametrize("ms", [0.0, 30.0])
def test_stalls_that_hardly_count_are_not_told(ms):
    """None at all, or one too short to move a mean of 4,000 loops that a fifth more work moves."""
    after = side(20, scale=1.2)
    after[1] = stalled(after[1], 2500, ms)
    assert compare_sides(side(10), after).stall is None


def test_what_a_change_lies_in_is_not_told_where_none_was_seen():
    """All calls are longer by a thousandth: no change is seen, and no call is said to cost most."""
    found = compare_sides(side(10), side(20, scale=1.001))
    assert found.verdict == "no change seen"
    assert not any("most in" in text for text in found.sentences)
    assert not any(name in text for text in found.sentences for name in CALLS)


def test_the_verdict_stands_before_the_machine():
    """A difference within the usual scatter is said to be so before anything is blamed."""
    found = compare_sides([recording(1)], [recording(2, scale=1.02)])
    first = found.sentences[0]
    assert not found.usual_scatter.beyond
    assert first.endswith("no more than runs are assumed to scatter.")
    assert "machine" not in first
    assert any("the machine was slower" in text for text in found.sentences[1:])
