"""How late waits end, from loops whose waits follow from a rule."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.late_wakes import after_ticks, late_wakes
from tests.analysers.test_after_late import paced
from tests.build_run import make_flat_run


def held_now_and_then(seed=1, n=1000):
    """Work about 8 ms, and waits of which every 50th ends late, never by whole ticks."""
    rng = np.random.default_rng(seed)
    work, held = rng.normal(8.0, 0.3, n), np.zeros(n)
    held[25::50] = rng.choice([15.0, 17.5, 26.0, 34.5, 38.0], n // 50)
    return work, held


@pytest.mark.parametrize("rule", ["grid", "anew", "each"])
def test_what_a_wait_is_late_by_whatever_the_rule(rule):
    """What a loop was woken late, and nothing in the loops after it that are shorter or longer."""
    work, held = held_now_and_then()
    over = after_ticks(paced(rule, work, held), work, 20.0)
    assert np.maximum(over, 0) == pytest.approx(held, abs=0.01)


@pytest.mark.parametrize("rule", ["grid", "anew", "each"])
def test_long_work_makes_no_wait_late(rule):
    """Every 50th loop works for 15 to 70 ms: it ends when it is done, or at a later tick."""
    work, _ = held_now_and_then()
    work[25::50] += np.linspace(7, 62, 20)
    over = after_ticks(paced(rule, work, np.zeros(1000)), work, 20.0)
    assert over.max() < 0.01


def test_ticks_that_do_not_come_make_no_wait_late():
    """What wakes the loop fails to come in every 50th, so that it waits for one or two more."""
    work = np.full(1000, 8.0)
    period = np.full(1000, 20.0)
    period[25::50] = np.resize([40.0, 60.0], 20)
    assert after_ticks(period, work, 20.0).max() == 0


@pytest.mark.parametrize("logged", [True, False])
def test_a_wait_is_late_whether_it_is_logged_or_not(logged):
    """Of a wait of 12 ms, in a row of its own or outside every call, 20 end late."""
    work, held = held_now_and_then()
    period = paced("grid", work, held)
    made = {"read": work} | ({"pace": period - work} if logged else {})
    ns = {name: (1e6 * ms).astype(np.int64) for name, ms in made.items()}
    run = make_flat_run((1e6 * period).astype(np.int64) + 1, ns, {"pace": "pacing"})
    over, wait = late_wakes(prepare(run))
    assert np.flatnonzero(over > 1).tolist() == np.flatnonzero(held).tolist()
    assert over[held > 0] == pytest.approx(held[held > 0], abs=0.01)
    assert np.median(wait) == pytest.approx(12.0, abs=0.2)


def test_of_a_fixed_sleep_what_it_has_beyond_the_usual():
    """Each loop sleeps 12 ms after its work, and 27 ms in every 50th."""
    work, held = held_now_and_then()
    sleep = np.where(held > 0, 27.0, 12.0)
    ns = {"read": (1e6 * work).astype(np.int64), "pace": (1e6 * sleep).astype(np.int64)}
    basis = prepare(make_flat_run(ns["read"] + ns["pace"] + 1, ns, {"pace": "pacing"}))
    assert basis.pacing.mode == "sleep after work"
    over, wait = late_wakes(basis)
    assert over == pytest.approx(np.where(held > 0, 15.0, 0.0), abs=0.01)
    assert wait == pytest.approx(np.full(1000, 12.0), abs=0.01)


def test_nothing_is_told_without_a_wait():
    """A loop that runs freely; one that waits for its own device, which may be late itself."""
    work, _ = held_now_and_then()
    assert late_wakes(prepare(make_flat_run((1e6 * work).astype(np.int64)))) is None
    pacing = SimpleNamespace(
        wait_known=False, fixed_rate=True, beat_call="gyro", mode="fixed rate", nominal_ms=20.0
    )
    waits = SimpleNamespace(wait_ns=None)
    assert late_wakes(SimpleNamespace(period_ms=work, pacing=pacing, waits=waits)) is None
