import numpy as np
import pytest

from looptime.errors import NotEnoughError
from looptime.stats.recurrence_test import _busiest, _coincidence_period, rhythm, rhythms


def loop(rng, n=6000, sd=1.0):
    return rng.normal(10, sd, n)


def starts(x):
    return (np.cumsum(x) - x) / 1000


def with_time_stalls(rng, n, every_s, height):
    """Periods with a stall whenever a multiple of `every_s` passes, each loop in turn."""
    x, now, due = loop(rng, n), 0.0, every_s / 2
    for i in range(n):
        if now + x[i] / 1000 > due:
            x[i] += height
            due += every_s
        now += x[i] / 1000
    return x


@pytest.mark.parametrize("every", [10, 25, 50, 120])
def test_stalls_every_so_many_loops(every):
    """Right clock, right period, right stalls."""
    x = loop(np.random.default_rng(every))
    x[7::every] += 8
    found = rhythm(x, starts(x))
    assert found.found
    assert found.clock == "loops"
    assert found.period_loops == pytest.approx(every, rel=0.002)
    assert found.period_s == pytest.approx(every * x.mean() / 1000, rel=0.01)
    assert found.height == pytest.approx(8, abs=1)
    assert np.isin(found.events, np.arange(7, 6000, every)).mean() > 0.95


@pytest.mark.parametrize("every_s", [0.1, 0.25, 1.0])
def test_stalls_every_so_many_seconds(every_s):
    """Right clock and right period."""
    x = with_time_stalls(np.random.default_rng(int(100 * every_s)), 6000, every_s, 6)
    found = rhythm(x, starts(x))
    assert found.found
    assert found.clock == "time"
    assert found.period_s == pytest.approx(every_s, rel=0.005)
    assert found.period_loops == pytest.approx(every_s * 1000 / x.mean(), rel=0.01)


def test_an_even_clock_cannot_tell_seconds_from_loops():
    """Loops of nearly constant length: both clocks say the same."""
    x = loop(np.random.default_rng(1), 3000, sd=0.01)
    x[9::50] += 0.5
    found = rhythm(x, starts(x))
    assert found.clock == "either"
    assert found.period_loops == pytest.approx(50, rel=0.01)


def test_stalls_at_random_have_no_rhythm():
    """Of 60 runs with stalls at random hardly any shows a rhythm."""
    hits = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        x = loop(rng, 3000)
        x[rng.choice(3000, 40, replace=False)] += 10
        hits += rhythm(x, starts(x)).found
    assert hits <= 2


@pytest.mark.parametrize("value", [0.0, 10.0])
def test_constant_runs_have_no_rhythm(value):
    """Constant periods and all-zero durations, without a warning."""
    found = rhythm(np.full(500, value), np.arange(500) * 0.01)
    assert (found.found, found.p, found.height) == (False, 1.0, None)
    assert found.clock == ""


def test_the_beat_of_a_coarse_clock_is_no_rhythm():
    """Whole milliseconds of a period of 10 1/3 ms: 10 10 11."""
    x = np.diff(np.floor(np.arange(3001) * 31 / 3))
    assert set(x) == {10, 11}
    assert not rhythm(x, starts(x), tick=1.0).found


def test_five_stalls_are_too_few():
    """Six are needed."""
    x = loop(np.random.default_rng(2), 3000, sd=0.001)
    x = np.clip(x, 9.998, 10.002)
    x[100:3000:600] += 5
    assert not rhythm(x, starts(x)).found


def test_stalls_in_most_loops_are_no_exception():
    """A call that runs every other loop is not a stall."""
    x = np.tile([0.0, 0.0, 5.0], 500)
    assert not rhythm(x, np.arange(1500) * 0.01).found


def test_a_clock_that_stands_still():
    """All starts at the same time."""
    x = loop(np.random.default_rng(3), 1000)
    x[::50] += 9
    assert not rhythm(x, np.zeros(1000)).found


def test_few_loops_are_refused():
    """Fifty are the least."""
    with pytest.raises(NotEnoughError, match="at least 50"):
        rhythm(np.ones(49), np.arange(49.0))


def test_several_series_share_the_level():
    """Each is tested at its share of the level."""
    x = loop(np.random.default_rng(4), 2000)
    x[::40] += 9
    t = starts(x)
    p = rhythm(x, t).p
    quiet = {f"call{i}": np.zeros(2000) for i in range(9)}
    found = rhythms({"period": x} | quiet, t, level=max(p * 5, 1e-300))
    assert not any(r.found for r in found.values())
    assert rhythms({"period": x} | quiet, t)["period"].found
    assert rhythms({}, t) == {}


def test_longer_loops_may_be_told_by_their_length():
    """Loops with gaps between them: the length puts the middle where it is."""
    x = loop(np.random.default_rng(5), 2000)
    x[::40] += 9
    t = starts(x)
    assert rhythm(x, t, length=x / 1000).clock == "loops"


def test_coincidences_give_the_shortest_lag():
    """Events every 20 bins with a few missing."""
    positions = np.delete(np.arange(0, 2000, 20.0), [5, 17, 40, 41, 77])
    assert _coincidence_period(positions, 2000.0, 1.0) == 20
    assert _coincidence_period(np.array([1.0, 500.0, 1300.0]), 2000.0, 1.0) is None


def test_a_very_long_run_is_judged_by_its_busiest_stretch():
    """The stretch of 60,000 loops that holds the events."""
    part = _busiest(np.array([5, 150_000, 150_010, 150_020]), 400_000)
    assert part.start <= 150_000
    assert part.stop > 150_020
    assert part.stop - part.start == 60_000
    assert _busiest(np.array([399_999]), 400_000).stop == 400_000


def test_one_endless_gap_does_not_ask_for_endless_bins():
    """A rhythm by loops is found beside a gap of eleven days on the clock."""
    x = np.tile([20.0, 20.5, 21.0, 20.2], 200)
    x[::40] = 80.0
    x[333] = 1e9
    found = rhythm(x, np.cumsum(x) / 1e3)
    assert found.clock == "loops"
    assert found.period_loops == pytest.approx(40, abs=0.1)
