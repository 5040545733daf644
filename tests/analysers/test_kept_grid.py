"""Starts on a grid of ticks, kept from one late loop to the next, and the part that keeps them."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.kept_grid import held_by, kept_between, surely_on_grid
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
