"""Long turns: pauses of the whole program, or the calls' own, by logs in which that is planted."""

import numpy as np
import pytest

from looptime.planner import predict
from looptime.planner.known.program_pauses import _by_time
from looptime.planner.play.draft import known
from tests.build_run import make_run

NAMES = ("gyro.read", "wheel.read", "tray.read", "lift.read", "wheel.write", "lamp.write")
USUAL_MS = np.array([1.2, 3.0, 1.6, 0.9, 2.4, 0.6])


def run_of(parts):
    """A loop of these calls one after another; shape (loops, calls) [ms]."""
    parts = np.round(parts, 6)
    rows = [[(NAMES[i], p[:i].sum(), p[i]) for i in range(len(p))] for p in parts]
    return make_run(parts.sum(axis=1), lambda j: rows[j])


def steady(rng, n):
    """Calls that vary by 2 %."""
    return USUAL_MS * (1 + 0.02 * rng.uniform(-1, 1, (n, len(USUAL_MS))))


def with_stalls(rng, parts, every=100, ms=17.0):
    """The lift's read takes long in every so many loops."""
    at = np.arange(every // 2, len(parts), every)
    parts[at, 3] += ms * (1 + 0.02 * rng.uniform(0, 1, len(at)))
    return at


def with_pauses(rng, parts, share, ms):
    """Loops that are held up, in whatever call runs then."""
    struck = np.flatnonzero(rng.random(len(parts)) < share)
    which = rng.choice(len(USUAL_MS), len(struck), p=USUAL_MS / USUAL_MS.sum())
    parts[struck, which] += ms * (1 + 0.1 * rng.uniform(-1, 1, len(struck)))
    return struck


def gain_ms(parts, limit):
    """What a limit on the lift's read takes off the mean."""
    return float(np.maximum(parts[:, 3] - limit, 0).mean())


@pytest.mark.parametrize("seed", range(5))
def test_stalls_that_keep_a_rule_are_the_calls_own(seed):
    """Every hundredth loop stalls, and each call has rare long turns that know nothing of it."""
    rng = np.random.default_rng(seed)
    parts = steady(rng, 900)
    long = rng.random(parts.shape) < 0.004
    parts += np.where(long, rng.uniform(2, 6, parts.shape), 0)
    with_stalls(rng, parts)
    told = predict(run_of(parts), ["cap lift.read ms=3.1"], keep_warmup=True).change_ms
    exact = gain_ms(parts, 3.1)
    lift_alone = 9 * 17.17 / 900 - 9 * 2.2 / 900  # the stalls, without the rare ones
    assert -exact * 1.02 <= told.value <= -lift_alone * 0.97
    assert told.low <= -exact <= told.high


@pytest.mark.parametrize("seed", range(5))
def test_stalls_of_a_height_of_their_own_are_the_calls_own(seed):
    """They come at random, in a program that is held up as well: only that is a pause."""
    rng = np.random.default_rng(seed)
    parts = steady(rng, 3000)
    struck = with_pauses(rng, parts, 0.03, 4.0)
    stalls = rng.choice(np.setdiff1d(np.arange(3000), struck), 14, replace=False)
    parts[stalls, 3] += 17 * (1 + 0.03 * rng.uniform(-1, 1, 14))
    run = run_of(parts)
    pauses = known(run).rhythms.pauses
    assert len(pauses) == len(struck)
    assert pauses.excess.max() < 5e6
    told = predict(run, ["cap lift.read ms=3.1"], keep_warmup=True)
    stalled = (parts[stalls, 3] - 3.1).sum() / 3000
    assert told.change_ms.value == pytest.approx(-stalled, rel=0.05)


def test_pauses_are_left_as_they_are_and_that_is_said():
    """Held up 160 times in whatever runs: a limit on one call buys nothing."""
    rng = np.random.default_rng(3)
    parts = steady(rng, 4000)
    with_pauses(rng, parts, 0.04, 5.0)
    told = predict(run_of(parts), ["cap wheel.read ms=4"], keep_warmup=True)
    assert told.change_ms.value == pytest.approx(0, abs=1e-3)
    assert any("look like pauses of the whole program" in text for text in told.warnings)


def test_where_nothing_tells_the_answer_holds_both():
    """A dozen long turns in calls that take much the same: of the program, or of each call."""
    rng = np.random.default_rng(5)
    parts = 1.5 * (1 + 0.02 * rng.uniform(-1, 1, (2000, 4)))
    at = np.sort(rng.choice(2000, 12, replace=False))
    parts[at, np.arange(12) % 4] += 6 * (1 + 0.05 * rng.uniform(-1, 1, 12))
    told = predict(run_of(parts), ["cap lift.read ms=2"], keep_warmup=True)
    assert not known(run_of(parts)).rhythms.pauses.sure
    assert told.change_ms.low <= -gain_ms(parts, 2.0) < 0 <= told.change_ms.high
    assert any("the log fits both" in text for text in told.warnings)


def test_neither_is_taken_for_the_other_more_often_than_allowed():
    """Fifty logs of each kind: what is told surely is hardly ever wrong."""
    wrong = {"pauses": 0, "own": 0}
    for seed in range(50):
        rng = np.random.default_rng(100 + seed)
        parts = steady(rng, 2000)
        with_pauses(rng, parts, 0.03, 4.0)
        wrong["pauses"] += not len(known(run_of(parts)).rhythms.pauses)
        parts = steady(rng, 2000)
        parts *= 1 + np.where(rng.random(parts.shape) < 0.006, rng.uniform(0.5, 3, parts.shape), 0)
        found = known(run_of(parts)).rhythms.pauses
        wrong["own"] += bool(len(found)) and found.sure
    assert wrong["pauses"] <= 2
    assert wrong["own"] <= 2


def test_a_call_that_takes_no_time_is_struck_by_nothing_and_tells_nothing():
    """Its share of the time is nought, of which there is no logarithm: the others tell the same."""
    turns = {0: np.full(30, 5e6), 1: np.full(10, 5e6)}
    limits = {0: (1e6, 3e5), 1: (1e6, 3e5)}
    shares = (0.75, 0.25, 0.0)
    two = _by_time(turns, limits, shares.__getitem__)
    assert _by_time(turns, limits | {2: (1e6, 1.0)}, shares.__getitem__) == two
