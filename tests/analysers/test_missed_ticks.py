"""Loops that miss a tick by a little wait for the next: by what is known of a played loop."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.missed_ticks import tick_wait
from looptime.analysers.slow import slow_events
from looptime.checks.compare.compare import compare
from looptime.checks.recording.recording import Settings, record
from looptime.findings import summarise
from tests.build_run import make_flat_run

TICK = 20_000_000


def played(calls, hidden=0, *, wait=False, seed=1):
    """A loop paced to a grid of 20 ms that skips the ticks it misses; what is hidden has no row."""
    rng = np.random.default_rng(seed)
    work = (sum(calls.values()) + hidden).astype(np.int64)
    late = np.abs(rng.normal(0, 1e5, len(work) + 1)).astype(np.int64)
    ticks = np.maximum(np.ceil((work + late[:-1]) / TICK).astype(np.int64), 1)
    period = ticks * TICK + np.diff(late)
    rows = {**calls, "wait for tick": period - work} if wait else calls
    return make_flat_run(period, rows), ticks


def tray_calls(n=3000, seed=2, usual_ms=16.0):
    """Three calls that leave some of each tick."""
    rng = np.random.default_rng(seed)
    shares = {"bench.read": 0.3, "camera.find": 0.4, "arm.write": 0.3}
    return {k: (1e6 * usual_ms * s * rng.normal(1, 0.02, n)).astype(np.int64)
            for k, s in shares.items()}  # fmt: skip


def some(n, share, seed):
    return np.random.default_rng(seed).random(n) < share


@pytest.mark.parametrize(("more_ms", "share"), [(6, 0.08), (7, 0.015), (14, 0.03), (30, 0.03)])
def test_the_call_that_pushes_loops_past_their_tick_makes_them_slow(more_ms, share):
    """However little it takes more than what was left: all else is the wait for the next tick."""
    calls = tray_calls()
    long = some(3000, share, 3)
    more = np.random.default_rng(4).uniform(0.85e6 * more_ms, 1.15e6 * more_ms, long.sum())
    calls["camera.find"][long] += more.astype(np.int64)
    run, ticks = played(calls)
    assert (ticks > 1).sum() == long.sum()
    basis = prepare(run)
    found = slow_events(basis)
    assert set(found.by_culprit) == {"camera.find"}
    assert {e.cause for e in found.events} == {"one call"}
    for e in found.events:  # the calls' part is what they took, and the rest the wait
        assert e.own_ms / e.loops == pytest.approx(more_ms, rel=0.2, abs=1.6)
        assert e.own_ms + e.tick_wait_ms == pytest.approx(e.excess_ms)
    told = next(f for f in summarise(run).findings if f.code == "slow_culprit")
    assert told.evidence.calls == ("camera.find",)
    assert "with the wait for a later tick" in told.text


def test_the_wait_is_as_long_as_where_it_is_logged():
    """The same loop with and without its wait as a call."""
    calls = tray_calls()
    calls["camera.find"][some(3000, 0.06, 4)] += 7_000_000
    run, ticks = played(calls)
    waits = prepare(played(calls, wait=True)[0]).waits.wait_ns
    usual = np.median(waits[ticks == 1])
    found = prepare(run).tick_wait_ns
    assert (found[ticks == 1] == 0).all()
    assert found[ticks > 1] == pytest.approx((waits - usual)[ticks > 1], abs=1e5)


@pytest.mark.parametrize("always_ms", [0.0, 1.5, 3.0])
def test_what_no_call_shows_is_outside_every_call(always_ms):
    """Of two causes one has a row; some time outside the calls passes in every loop."""
    calls = tray_calls(usual_ms=16 - always_ms)
    seen, unseen = some(3000, 0.04, 5), some(3000, 0.03, 6)
    calls["camera.find"][seen] += 7_000_000
    hidden = np.where(unseen, 8_000_000, 0) + int(1e6 * always_ms)
    run, _ = played(calls, hidden)
    both = seen & unseen
    waited = prepare(run).tick_wait_ns > 0
    assert waited[seen & ~both].mean() > 0.97
    assert not waited[unseen & ~both].any()
    leads = {e.index: e.culprit for e in slow_events(prepare(run)).events if e.loops == 1}
    truth = {k: "camera.find" if seen[k] else "unattributed" for k in leads if not both[k]}
    assert np.mean([leads[k] == name for k, name in truth.items()]) > 0.98
    assert set(truth.values()) == {"camera.find", "unattributed"}


def test_a_cause_outside_alone_stays_outside():
    """No call is longer in the loops that miss their tick."""
    run, ticks = played(tray_calls(), np.where(some(3000, 0.05, 7), 8_000_000, 20_000))
    assert (ticks > 1).sum() > 100
    assert not prepare(run).tick_wait_ns.any()
    assert set(slow_events(prepare(run)).by_culprit) == {"unattributed"}


def test_a_rule_is_told_of_the_call_and_not_of_the_wait():
    """Every 14th turn is long: nothing recurs in the time outside the calls."""
    calls = tray_calls()
    calls["camera.find"][::14] += 7_000_000
    told = summarise(played(calls)[0])
    assert [r.call for r in told.recurrence.found] == ["camera.find"]
    assert "in no timed call" not in " ".join(f.text for f in told.findings)


def test_a_step_is_told_of_the_call_and_not_of_the_wait():
    """From the middle on a call takes 5 ms more, and every loop two ticks."""
    calls = tray_calls()
    calls["camera.find"][1500:] += 5_000_000
    told = next(f for f in summarise(played(calls)[0]).findings if f.code == "change_point")
    assert told.evidence.calls == ("camera.find",)
    assert "outside every call" not in told.text
    assert "wait for a later tick" in told.text


def test_a_comparison_sets_the_wait_apart():
    """What no call covers is the same on both sides; the wait has a row of its own."""
    before = tray_calls()
    after = {k: v.copy() for k, v in before.items()}
    after["camera.find"][some(3000, 0.08, 8)] += 7_000_000
    runs = [record(played(x, seed=k)[0], Settings()) for k, x in enumerate((before, after))]
    found = compare([runs[0]], [runs[1]]).explained
    moved = {p.name: p.difference_ms for p in found.parts}
    assert moved["unattributed"] == pytest.approx(0, abs=0.05)
    assert moved["camera.find"] == pytest.approx(0.08 * 7, rel=0.15)
    assert sum(moved.values()) == pytest.approx(found.difference_ms)
    assert moved["pacing wait"] == pytest.approx(0.08 * 13, rel=0.15)


def test_loops_that_are_made_up_for_wait_for_no_later_tick():
    """After a late loop the next begins at once: no time outside is a wait for it."""
    work = sum(tray_calls().values())
    calls = {"all": np.where(some(3000, 0.08, 9), work + 7_000_000, work)}
    end = np.zeros(3001, np.int64)
    for k, ns in enumerate(calls["all"].tolist()):
        end[k + 1] = max(end[k] + ns, TICK * (k + 1))
    basis = prepare(make_flat_run(np.diff(end), calls))
    assert basis.pacing.mode == "fixed rate, catches up"
    assert not basis.tick_wait_ns.any()


def test_without_calls_or_loops_in_time_nothing_is_told():
    """Nothing shows then what made a loop late."""
    period = np.full(100, 2 * TICK)
    assert not tick_wait(period, period, 20.0).any()
    assert not tick_wait(period, period - 3_000_000, 20.0).any()
