"""End of the warm-up: planted starts of many kinds, and what is none."""

import numpy as np
import pytest

from looptime.errors import NotEnoughError
from looptime.stats.settling import _limits, warm_up
from tests.benchmarks.settling import FOUND, NONE, row


def steady(seed, n=4000, base=10.0, sd=0.3):
    """Start times [s] and steady periods [ms]."""
    return np.arange(n) * base / 1000, base + np.random.default_rng(seed).normal(0, sd, n)


def test_a_step_is_cut_where_it_ends():
    """Two seconds at 12 ms, or 0.3 s at 16, then 10 ms: to the loop, and not to a block or 1 s."""
    t, x = steady(1)
    assert warm_up(x + np.where(t < 2.1, 2.0, 0.0), t).loops == 210
    assert warm_up(x + np.where(t < 0.3, 6.0, 0.0), t).loops == 30


def pauses(t):
    """Of 20 ms in every twelfth of the loops up to 0.9 s."""
    return np.where((t < 0.9) & (np.arange(len(t)) % 12 == 0), 20, 0)


@pytest.mark.parametrize(
    "more",
    [
        lambda t: 6 * np.exp(-t / 0.2),  # cools down
        lambda t: np.where(t < 0.3, 6.0, 0) + 3 * np.exp(-t / 0.4),  # goes on after its step
        lambda t: np.where(t < 0.3, 6.0, pauses(t)),
        lambda t: np.where(t < 0.3, 0.7, 0),  # a step that no single loop shows
        lambda t: np.where(t < 0.3, 45.0, np.where(t < 0.9, 3.0, 0)),  # what is left is much
        lambda t: np.where(t < 0.3, 45.0, 4 * np.exp(-t / 2)),
    ],
)
def test_a_start_that_does_not_end_at_once_is_cut_to_a_second(more):
    """What is left of it hides among the loops behind."""
    t, x = steady(1)
    found = warm_up(x + more(t), t)
    assert found.loops == 0 or found.seconds >= 0.99


def test_a_call_in_every_sixth_loop_alone_warms_up():
    """Medians of windows do not see it: the loops between are as later on."""
    t, x = steady(2)
    late = np.arange(len(t)) % 6 == 0
    x[late] += 3 + 60 * np.exp(-t[late] / 0.6)
    found = warm_up(x, t)
    planted = np.where(late, 60 * np.exp(-t / 0.6), 0.0)
    assert 1.5 < found.seconds < 4
    assert planted[found.loops :].mean() < 0.005 * x[2000:].mean()


def test_one_first_call_is_cut_and_no_loop_behind_it():
    """A single stall of 150 ms in the fourth loop, and stalls of 20 ms all along."""
    t, x = steady(3)
    x[100::400] += 20
    x[3] += 150
    assert warm_up(x, t).loops == 4
    x[10:60] += 2
    assert warm_up(x, t).seconds >= 0.99


def test_a_stall_as_large_later_on_is_no_warm_up():
    """The first of ten equal stalls, one every 4 s, is not a start."""
    t, x = steady(4)
    x[3::400] += 150
    assert warm_up(x, t).loops == 0


@pytest.mark.parametrize(("later", "cut"), [(9.0, True), (18.0, False)])
def test_pauses_of_another_length_later_on_are_none_of_the_start(later, cut):
    """Eight of 20 ms within the first second, then 79 of 9 ms and one of 20 are no more of them."""
    t, x = steady(4)
    x[3:99:12] += 20
    x[120::49] += later
    x[2000] += 20
    assert (warm_up(x, t).loops > 0) == cut


def test_a_stall_an_hour_later_does_not_hide_the_start():
    """Only the five minutes behind the longest warm-up are held against the start."""
    t, x = steady(5, n=60_000)
    x[3] += 150
    x[-5] += 400
    assert warm_up(x, t).loops == 4


@pytest.mark.parametrize("excess", [1.5, 4.0])
def test_a_run_that_grows_hides_no_start(excess):
    """Two and a half seconds at 11.5 ms and more, then 10 ms that become 13 within the minute."""
    t, x = steady(8, n=6000)
    found = warm_up(x + 3 * t / 60 + np.where(t < 2.5, excess, 0.0), t)
    assert found.seconds == pytest.approx(2.5, abs=0.26)


@pytest.mark.parametrize("grows", [
    lambda t: 3 * t / 60, lambda t: 4 * (t / 60) ** 2, lambda t: 4 * (1 - np.exp(-t / 15)),
    lambda t: 2.0 * (t > 30), lambda t: 2.0 * (t > 50),
])  # fmt: skip
def test_growth_by_itself_is_no_warm_up(grows):
    """Along a line, ever faster, ever slower, or by a step: the start is the fastest of all."""
    t, x = steady(9, n=6000)
    assert warm_up(x + grows(t), t).loops == 0


@pytest.mark.parametrize("factor", [0.95, 1.05])
def test_a_level_that_holds_is_left_to_the_change_points(factor):
    """Twelve of 40 s at another level are no warm-up."""
    t, x = steady(6)
    found = warm_up(np.where(t < 12, factor, 1.0) * x, t)
    assert (found.loops, found.faster_loops) == (0, 0)


def test_a_start_is_looked_for_within_a_level():
    """Twelve seconds at 5 % more are a level; of these the first two are 3 % slower still."""
    t, x = steady(6)
    found = warm_up(np.where(t < 12, 1.05, 1.0) * x + np.where(t < 2, 0.3, 0.0), t)
    assert found.seconds == pytest.approx(2, abs=0.3)


def test_short_stretches_must_lie_above_all_later_ones():
    """Blocks of 10 ms, and one of 20 later on: it lifts the means of h blocks by 10 / h.

    From 16 blocks on 1 % above the level will do.
    """
    blocks = np.full(1210, 10.0)
    blocks[600] = 20.0
    found = {at.blocks: at.limit for at in _limits(blocks, 10, 10.0, 3.5)}
    assert found == pytest.approx({h: 10 + (10 / h if h <= 8 else 0.1) for h in
                                   (1, 2, 4, 8, 16, 32)})  # fmt: skip


@pytest.mark.parametrize("per_minute", [0.015, 0.03])
def test_a_drift_is_no_warm_up(per_minute):
    """A loop that gets slower all along has no slow start."""
    t, x = steady(7, n=6000)
    assert warm_up(x * (1 + per_minute * t / 60), t).loops == 0


@pytest.mark.parametrize("seconds", [2, 6, 11])
def test_a_faster_start_that_ends_for_good_is_cut(seconds):
    """Some seconds at 8 ms, then 10 ms."""
    t, x = steady(8)
    found = warm_up(x - np.where(t < seconds, 2.0, 0.0), t)
    assert found.seconds == found.faster_s == pytest.approx(seconds, abs=0.26)
    assert found.loops == found.faster_loops


@pytest.mark.parametrize("other", [(1.0, 1.02, 100.0), (30.0, 33.0, 0.0)])
def test_a_faster_start_is_told_alone_where_a_cut_would_hide_something(other):
    """The longest loop is among its loops, or the loop is as fast once more later on."""
    t, x = steady(8)
    first, last, more = other
    fast = (t < 2) | ((t >= first) & (t < last))
    found = warm_up(x - 2.0 * fast + np.where((t >= first) & (t < last), more, 0.0), t)
    assert found.loops == 0


def test_a_loop_that_slows_down_all_along_has_no_faster_start():
    """12 % within 40 s, without an end."""
    t, x = steady(8)
    found = warm_up(x * (1 + 0.003 * t), t)
    assert (found.loops, found.faster_loops) == (0, 0)


def test_less_than_a_percent_is_not_worth_a_cut():
    """Two seconds at 0.8 % more stand far out of the noise, and matter to nobody."""
    t, x = steady(9, sd=0.02)
    assert warm_up(x + np.where(t < 2, 0.08, 0.0), t).loops == 0


@pytest.mark.parametrize("value", [0.0, 10.0])
def test_a_constant_run_has_no_warm_up(value):
    """Constant periods and zeros, also by a clock that stands still."""
    for step_s in (0.01, 0.0):
        found = warm_up(np.full(2000, value), np.arange(2000) * step_s)
        assert (found.loops, found.faster_loops) == (0, 0)


def test_whole_milliseconds_do_not_make_a_warm_up():
    """Periods of 10.3 ms on a clock of 1 ms, and a planted start on the same clock."""
    _, x = steady(11, base=10.3)
    for extra, low, high in ((0, 0, 0), (3, 1.5, 2.8)):
        planted = x + np.where(np.cumsum(x) < 2000, extra, 0)
        ticks = np.floor(np.cumsum(np.append(0, planted)))
        found = warm_up(np.diff(ticks), ticks[:-1] / 1000)
        assert low <= found.seconds <= high


def test_a_short_run_is_refused_with_the_length_that_would_do():
    """Sixteen blocks of 10 loops, at 60 ms and at 2 ms alike."""
    for period_s in (0.060, 0.002):
        with pytest.raises(NotEnoughError, match=r"at least 160 loops .16 blocks., there are 159"):
            warm_up(np.ones(159), np.arange(159) * period_s)


@pytest.mark.parametrize("loops", [170, 250, 400, 450])
def test_a_short_run_has_a_warm_up_too(loops):
    """It decays with a 12th of the run: what is cut lies between two and five of those."""
    usual = np.random.default_rng(loops).lognormal(np.log(8), 0.04, loops)
    slow = usual * (1 + np.exp(-np.arange(loops) / (loops / 12)))
    assert warm_up(usual, np.cumsum(usual) / 1000).loops == 0
    assert 2 * loops / 12 < warm_up(slow, np.cumsum(slow) / 1000).loops < 5 * loops / 12


@pytest.mark.parametrize("name", FOUND)
def test_planted_starts_are_found(name):
    """Each kind of start in loops of 5 to 60 ms and logs of 30 to 150 s (tests/benchmarks)."""
    at = row(FOUND[name], 1, seed=3)
    assert at["found"] == 100
    assert at["left"] <= 0.5


@pytest.mark.parametrize("name", NONE)
def test_no_start_is_seldom_cut(name):
    """Of 24 logs without a start one may be cut by chance (2 % in the long run)."""
    assert row(NONE[name], 1, seed=4)["found"] <= 100 / 24


@pytest.mark.parametrize(("later_ms", "end_s"), [(0.7, 2.0), (6.0, 2.5)])
def test_a_little_warmth_behind_a_cool_quarter_second_is_chance(later_ms, end_s):
    """Two seconds of 6 ms more, a quarter of none, then one of as much or of a ninth of it."""
    cut = []
    for seed in range(8):
        t, x = steady(seed, sd=1.0)
        x[200:250] = 10.0
        x[:200] += 6.0
        x[225:250] += later_ms
        cut.append(warm_up(x, t).seconds)
    assert np.median(cut) == pytest.approx(end_s, abs=0.01)


@pytest.mark.parametrize(("slow_ms", "tail"), [([245], 0), ([60, 180, 40], 0), ([245], 3)])
@pytest.mark.parametrize("stalls", [0.0, 0.012])
def test_no_more_is_cut_than_the_first_few_loops_that_stand_out(slow_ms, tail, stalls):
    """Loops of 6 ms after one or three of classes loaded, with and without a tail behind them."""
    rng = np.random.default_rng(2)
    x = rng.normal(6, 0.3, 1600) + tail * np.exp(-np.arange(1600) / 60)
    x += 16 * (rng.random(1600) < stalls)
    x[: len(slow_ms)] = slow_ms
    found = warm_up(x, np.append(0, np.cumsum(x)[:-1]) / 1000).loops
    assert found == len(slow_ms) if not tail else 100 < found < 250


def test_a_first_loop_that_takes_more_than_the_rest_is_cut_all_the_same():
    """A device opens for 5 s at the start of 4 s of loops of 20 ms: one loop, and 5 s of it."""
    x = np.append(5.0, np.random.default_rng(5).normal(0.02, 3e-4, 200))
    found = warm_up(x, np.cumsum(x) - x)
    assert (found.loops, found.faster_loops) == (1, 0)
    assert found.seconds == pytest.approx(5)
    assert warm_up(x[1:], np.cumsum(x[1:]) - x[1:]).loops == 0


def test_a_first_loop_alone_is_cut_alone():
    """Pictures come 33.3 ms apart, and the first is waited for 12 ms more: 1.2 in ten loops."""
    t = 33.3 * np.arange(900) + np.random.default_rng(8).normal(0, 1.4, 900)
    t[0] = t[1] - 45.0
    found = warm_up(np.diff(t), t[:-1] / 1000)
    assert (found.loops, found.seconds) == (1, pytest.approx(0.045))


def test_a_stall_that_is_made_up_for_behind_the_first_block_is_no_warm_up():
    """The first of the writes in every 25th loop of 10 ms: blocks hold 25 loops, no other before.

    What the others of its kind make up for falls into the block behind theirs, so that all but
    the first block hold both.
    """
    x = np.random.default_rng(3).normal(10, 0.02, 2500)
    for at in range(24, 2490, 25):
        x[at : at + 4] += np.array([13.0, -4, -5, -4])
    assert warm_up(x, np.append(0, np.cumsum(x)[:-1]) / 1000).loops == 0
