"""Angles that begin anew, against angles that are known to go on."""

import numpy as np
import pytest

from looptime.stats.whole_turns import suspected, turn_of, unwound

TIME = 0.02 * np.arange(3000)
#: Turns to and fro, and on and on.
WAY = 1.3 * np.sin(0.7 * TIME) + 2.1 * np.sin(0.23 * TIME)


@pytest.mark.parametrize("turn", [360.0, 2 * np.pi, 1.0, 4096.0, 1440.0])
@pytest.mark.parametrize("begin", [0.0, 0.5])
@pytest.mark.parametrize("way", [WAY, 0.4 * TIME, -0.4 * TIME])
@pytest.mark.parametrize("noise", [0.0, 0.003])
def test_a_turn_is_told_and_undone(turn, begin, way, noise):
    """In any unit, from zero on or about it, to and fro or one way; a value may be missing."""
    true = turn * (way + noise * np.random.default_rng(1).standard_normal(len(way)))
    logged = (true + begin * turn) % turn - begin * turn
    logged[700] = np.nan
    assert turn_of(logged) == pytest.approx(turn, rel=0.01)
    off = (unwound(logged, turn_of(logged)) - true) / turn
    assert np.nanmax(np.abs(off - off[0])) < 0.06


def test_a_heading_that_rests_at_its_seam():
    """359.9 and 0.1 by turns are one angle, though it visits nothing between."""
    noise = np.random.default_rng(2).normal(0, 0.2, 500)
    assert turn_of(noise % 360) == 360.0


_RNG = np.random.default_rng(3)
QUIET = {
    "never jumps": 100 * WAY,
    "a switch": np.sign(np.sin(TIME)),
    "noise all over its range": _RNG.uniform(0, 360, 3000),
    "a speed that is turned at once": 0.5 * np.sign(np.sin(TIME)) + _RNG.normal(0, 0.01, 3000),
    "a count that is set to zero now and then": np.r_[0:500, 0:700, 0:300].astype(float),
    "constant": np.full(100, 3.0),
    "nothing": np.full(100, np.nan),
    "short": np.arange(4.0),
}


@pytest.mark.parametrize("case", QUIET)
def test_what_is_no_angle_is_left(case):
    """Steps over most of the range are not enough."""
    assert turn_of(QUIET[case]) is None


def test_a_turn_that_nothing_else_shows_is_suspected():
    """A fast wheel goes half a turn from row to row: nothing tells how, but the step is named."""
    fast = (9.7 * WAY) % 1.0
    assert turn_of((40 * WAY) % 1.0) is None
    assert suspected(fast) == pytest.approx(1.0, abs=0.2)
    assert suspected(WAY) is None
