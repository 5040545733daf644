"""Long turns that end on another's beat: a lock that a thread holds which the log does not show."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs
from looptime.analysers.held_up import HELD
from looptime.analysers.recurs import recurs
from looptime.analysers.slow import slow_events
from looptime.findings import summarise
from tests.build_run import make_flat_run


def hidden_holder(seed: int, hold_ms: float, rest_ms: float, loops: int = 3000):
    """A free loop whose read waits for a lock that another thread holds and lets go in turn.

    Simulated in time: the read begins 0.2 ms into the loop and takes 1.2 ms once it has the lock.
    """
    rng = np.random.default_rng(seed)
    now, taken, free = 0.0, rest_ms, rest_ms + hold_ms
    period, read, drive = [], [], []
    for _ in range(loops):
        asks = now + 0.2
        while free <= asks:
            taken = free + rest_ms * rng.normal(1, 0.002)
            free = taken + hold_ms * rng.normal(1, 0.002)
        has = max(asks, free) if asks >= taken else asks
        ends = has + rng.normal(1.2, 0.05)
        work = rng.normal(3.9, 0.6)
        read.append(ends - asks)
        drive.append(work)
        period.append(ends + work - now)
        now = ends + work
    took = [np.rint(1e6 * np.array(x)).astype(np.int64) for x in (period, read, drive)]
    return make_flat_run(took[0], {"gyro": took[1], "drive": took[2]}, {})


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("hold_ms", "rest_ms"), [(7, 23), (9, 41), (12, 90)])
def test_a_call_that_waits_for_a_thread_that_nobody_logged(seed, hold_ms, rest_ms):
    """Its long turns end each time the other lets go: once in so long as it holds and rests."""
    run = hidden_holder(seed, hold_ms, rest_ms)
    found = summarise(run)
    held = {r.call: r for r in found.recurrence.found}["gyro"]
    assert held.mechanism == HELD
    assert held.every_ms == pytest.approx(hold_ms + rest_ms, rel=0.01)
    told = next(f.text for f in found.findings if f.code == "recurring_stall")
    assert "another thread or device" in told


@pytest.mark.parametrize("rule", ["loops", "since start", "random"])
@pytest.mark.parametrize("seed", range(6))
def test_what_goes_by_its_own_clock_or_count_waits_for_nobody(rule, seed):
    """Long turns of 5 ms every 8 loops, when 40 ms have gone by, or in one loop of eight."""
    rng = np.random.default_rng(seed)
    n = 3000
    base, drive = rng.normal(1.2, 0.05, n), rng.normal(3.9, 0.15, n)
    now, last, more = 0.0, 0.0, np.zeros(n)
    for k in range(n):
        due = {"loops": k % 8 == 0, "since start": now - last >= 40, "random": rng.random() < 0.12}
        if due[rule]:
            more[k], last = rng.uniform(2, 7), now
        now += base[k] + drive[k] + more[k]
    took = {"gyro": np.rint(1e6 * (base + more)), "drive": np.rint(1e6 * drive)}
    calls = {name: x.astype(np.int64) for name, x in took.items()}
    basis = prepare(make_flat_run(sum(calls.values()) + 1000, calls, {}))
    found = recurs(basis, costs(basis), slow_events(basis))
    assert HELD not in {r.mechanism for r in found.found}
