"""Starts on a grid of ticks, kept from one late loop to the next, and the part that keeps them."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.kept_grid import (
    CUT,
    held_by,
    kept_between,
    on_grid,
    spread,
    surely_on_grid,
)
from tests.build_run import make_run

RNG = np.random.default_rng(7)
N = 1200


def _late(period, ms=37.3):
    """The same with a loop in 290 that is longer by so much, after which all comes later."""
    return np.where(np.arange(len(period)) % 290 == 200, period + ms, period)


def test_grid_that_a_late_loop_begins_anew():
    """Instants that scatter about ticks, of which four stalls of no whole ticks move all later."""
    period = _late(20 + np.diff(RNG.normal(0, 0.1, N + 1)))
    assert kept_between(period, 0.0)
    assert not surely_on_grid(period, 0.0)
    found = prepare(make_run(period, lambda _: [("lift", 0, 5 + RNG.normal(0, 0.02))])).pacing
    assert found.mode == "fixed rate, skips"
    assert found.nominal_ms == pytest.approx(20, rel=1e-3)


@pytest.mark.parametrize("what", ["free", "turns", "sleep", "stamps"])
def test_free_loops_keep_to_no_grid(what):
    """Independent lengths, lengths in turns, sleeps of one length, stamps that come a bit late."""
    lift = RNG.normal(5, 0.1, N)
    period = {
        "free": lift + 15, "turns": lift + np.tile([12.0, 18.0], N // 2),
        "sleep": lift + 15 + RNG.exponential(0.1, N),
        "stamps": lift + 15 + np.diff(RNG.exponential(0.1, N + 1)),
    }[what]  # fmt: skip
    assert not kept_between(_late(period), 0.0)
    assert held_by(_late(period), {0: lift, 1: _late(period) - lift}, 0.0) is None


def _for_data(name, first=True):
    """A loop that waits for data every 25 ms, which come 0.7 ms early or late; work of 8 ms."""
    came = 25 * np.arange(N + 1) + RNG.normal(0, 0.7, N + 1)
    work = RNG.normal(8, 0.15, N + 1)
    begin = came[:-1] + work[:-1]  # of the wait, right after the work on the last data
    wait, period = came[1:] - begin, np.diff(np.append(begin, came[-1] + work[-1])) + 1e-5

    def calls(k):
        return [(name, 0, wait[k]), ("solve", wait[k], work[k + 1])]

    return make_run(period, calls, {name: "wait", "solve": "compute"}), work


@pytest.mark.parametrize("name", ["image.wait", "scan wait"])
def test_wait_for_data_is_no_work(name):
    """What it ends at scatters more than the work: no loop tells, but all of them do."""
    run, work = _for_data(name)
    found = prepare(run)
    assert found.pacing.fixed_rate
    assert found.pacing.beat_call == name
    assert found.pacing.nominal_ms == pytest.approx(25, rel=1e-3)
    assert found.judged_ms.mean() == pytest.approx(work[1:].mean(), rel=1e-3)


def test_call_of_unlike_lengths_is_no_wait():
    """A call as long and as uneven, after which nothing is made up for."""
    long, solve = RNG.normal(17, 1.0, N), RNG.normal(8, 0.15, N)
    run = make_run(
        long + solve, lambda k: [("image.wait", 0, long[k]), ("solve", long[k], solve[k])],
        {"image.wait": "wait", "solve": "compute"},
    )  # fmt: skip
    found = prepare(run).pacing
    assert (found.mode, found.beat_call, found.wait_known) == ("free-running", None, False)


def _mixed(share, n=400_000):
    """Periods of variance 1 [ms^2]: of so much free lengths, of the rest instants about a grid."""
    rng = np.random.default_rng(3)
    off = rng.normal(0, ((1 - share) / 2) ** 0.5, n + 1)
    return 20 + rng.normal(0, share**0.5, n) + np.diff(off)


@pytest.mark.parametrize(
    ("share", "grid"), [(0.06, True), (0.11, True), (0.13, False), (0.25, False)]
)
def test_sums_of_32_loops_on_a_grid_differ_by_less_than_0_15_of_free_ones(share, grid):
    """Free lengths add up and instants do not: that is the share, and a 32nd of the rest."""
    assert on_grid(_mixed(share), 0.0) == grid


def test_spread_and_cut_are_standard_deviations():
    """Of a normal distribution; of the difference of two even ones, 1/12 of a tick squared each."""
    assert spread(np.random.default_rng(1).normal(3, 2, 400_000)) == pytest.approx(2, rel=0.01)
    assert pytest.approx(2 / 12) == CUT**2


def test_two_hundred_loops_are_enough_to_be_sure():
    period = 20 + np.diff(np.random.default_rng(2).normal(0, 0.1, 201))
    assert surely_on_grid(period, 0.0)
    assert not surely_on_grid(period[:199], 0.0)


@pytest.mark.parametrize(("share", "sure"), [(0.2, True), (0.3, False)])
def test_turns_that_are_a_quarter_of_the_scatter_are_no_grid(share, sure):
    """Long and short by turns, or one long one in 32, add up to the same every time, too."""
    for turns in ([1.0, -1.0], [31.0] + [-1.0] * 31):
        turn = np.resize(np.array(turns) / np.std(turns), 40_000) * share**0.5
        period = _mixed(0.0, 40_000) * (1 - share) ** 0.5 + turn
        assert on_grid(period, 0.0)
        assert surely_on_grid(period, 0.0) == sure


@pytest.mark.parametrize(("share", "kept"), [(0.015, True), (0.1, False)])
def test_what_grows_with_the_loops_is_no_grid(share, kept):
    """Sums of 32 loops against sums of 8: of a tenth free lengths 4.1 to 1.7."""
    assert kept_between(_mixed(share, 100_000), 0.0) == kept


def test_enough_stretches_of_32_loops_tell():
    """Of 351 loops in time there are 320."""
    period = 20 + np.diff(np.random.default_rng(4).normal(0, 0.1, 352))
    assert kept_between(period, 0.0)
    assert not kept_between(period[:350], 0.0)


def test_late_is_beyond_five_times_the_scatter():
    """1 ms of 0.14 begins the grid anew; 0.55 that the next makes up for is scatter."""
    period = 20 + np.diff(np.random.default_rng(5).normal(0, 0.1, N + 1))
    assert kept_between(_late(period, 1.0), 0.0)
    late = np.cumsum(np.random.default_rng(6).integers(6, 26, 70))
    period[late] += 0.55
    period[late + 1] -= 0.55
    assert kept_between(period, 0.0)


def test_a_coarse_clock_makes_no_loop_late_by_one_of_its_steps():
    """Stamps of whole milliseconds about the middle of one, and one loop in 290 late by two."""
    off = np.random.default_rng(6).normal(0.5, 0.25, 6001)
    assert kept_between(_late(20 + np.diff(np.floor(off)), 2.0), 1.0)


@pytest.mark.parametrize(("scatter", "held"), [(0.2, 1), (0.6, 1), (1.2, None)])
def test_the_part_that_holds_the_grid_varies_by_far_the_most(scatter, held):
    """Data 0.7 ms early or late, and work that is 0.16, 0.44 and 0.7 as uneven as the wait."""
    rng = np.random.default_rng(8)
    work, late = rng.normal(8, scatter, 4000), rng.normal(0, 0.7, 4001)
    wait = 25 + np.diff(late) - work
    assert held_by(wait + work, {0: work, 1: wait}, 0.0) == held
