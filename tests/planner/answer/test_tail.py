"""The longest loops before and after, counted by hand and by chance."""

import numpy as np
import pytest

from looptime.planner.answer.tail import tail_of


def loops(rng, n=900, long=9, ms=28.0, usual=11.0):
    """Loops of 11 ms by 2 %, of which some take long [ns]."""
    period = usual * (1 + 0.02 * rng.uniform(-1, 1, n))
    period[rng.choice(n, long, replace=False)] = ms
    return (period * 1e6).astype(np.int64)


def test_stalls_that_go_are_told():
    """Nine of 900 loops take 28 ms, then 13: the nine longest on average, and how many are over."""
    rng = np.random.default_rng(1)
    found = tail_of(loops(rng), [loops(rng, ms=13.0)])
    assert found.before_ms == pytest.approx(28)
    assert found.after_ms == pytest.approx(13)
    assert found.over_ms == pytest.approx((28 * 13) ** 0.5)
    assert (found.before, found.after) == (9, 0)


def test_every_end_of_what_is_not_known_must_tell():
    """The less favourable end is told; none where one end leaves the stalls as they are."""
    rng = np.random.default_rng(2)
    was, good, fair = loops(rng), loops(rng, ms=13.0), loops(rng, ms=18.0)
    assert tail_of(was, [good, fair]).after_ms == pytest.approx(18)
    assert tail_of(was, [good, was]) is None
    assert tail_of(good, [was, loops(rng, ms=34.0)]).after_ms == pytest.approx(28)


def test_chance_is_not_told():
    """Logs of one program, in which twelve of 900 loops take long now and then, tell nothing."""
    told = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        many = rng.poisson(12, 2)
        sides = [loops(rng, long=k, ms=rng.uniform(20, 40, k)) for k in many]
        told += tail_of(sides[0], [sides[1]]) is not None
    assert told / 200 < 0.03
