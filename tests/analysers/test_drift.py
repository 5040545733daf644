"""Drift and change points: planted ones, with the call behind them."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.contrast import contrast
from looptime.analysers.drift import changes
from looptime.findings import summarise
from looptime.schema import UNATTRIBUTED
from tests.build_run import make_flat_run


def run_of(extra, seed=1, n=6000):
    """Two calls of 5 ms; `extra` [ms] is added to the second."""
    rng = np.random.default_rng(seed)
    first = 5e6 * np.exp(rng.normal(0, 0.05, n))
    second = 5e6 * np.exp(rng.normal(0, 0.05, n)) + extra * 1e6
    made = {"first": first.astype(np.int64), "second": second.astype(np.int64)}
    return make_flat_run(sum(made.values()) + 100_000, made)


def test_drift_with_its_interval_and_its_call():
    """A call that gains 0.5 ms along the run: found, estimated, named."""
    found = changes(prepare(run_of(np.linspace(0, 0.5, 6000))))
    assert found.better == "drift"
    assert found.drift.found
    assert found.drift.change_ms.low < 0.5 < found.drift.change_ms.high
    assert found.drift.change_ms.value == pytest.approx(0.5, abs=0.1)
    assert found.drift.parts[0].name == "second"
    assert found.drift.parts[0].ms == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("shape", ["straight", "late", "with stalls"])
def test_loop_and_call_drift_by_the_same(shape):
    """All of the drift is one call's: both figures agree, whatever the shape of the growth."""
    t = np.linspace(0, 1, 9000)
    extra = {"straight": 6 * t, "late": 6 * t**3, "with stalls": 6 * t}[shape]
    if shape == "with stalls":  # longer ones towards the end, which are not drift
        extra = extra + 40 * (np.random.default_rng(5).random(9000) < 0.02 * t)
    drift = changes(prepare(run_of(extra, n=9000))).drift
    assert drift.parts[0].name == "second"
    assert drift.parts[0].ms == pytest.approx(drift.change_ms.value, rel=0.02)


def test_step_with_its_place_and_its_call():
    """A call that takes 0.6 ms more from loop 3,500 on."""
    found = changes(prepare(run_of(np.where(np.arange(6000) < 3500, 0, 0.6))))
    assert found.better == "steps"
    (only,) = found.change_points
    assert abs(only.index - 3500) <= only.within_loops
    assert only.step_ms == pytest.approx(0.6, abs=0.1)
    assert only.parts[0].name == "second"
    assert only.time_s == pytest.approx(35.4, abs=1.0)


def test_steady_run():
    """Nothing is found where nothing changes."""
    found = changes(prepare(run_of(0)))
    assert found.better == ""
    assert not found.drift.found
    assert found.change_points == ()


def test_short_run_says_what_would_do():
    """Too few loops: no result, and the number that would do."""
    found = changes(prepare(run_of(0, n=100)))
    assert found.drift is None
    assert "a drift needs at least 300" in found.note
    assert "change points need at least 600" in found.note


@pytest.mark.parametrize("period", [np.full(2000, 10_000_000), np.zeros(2000, int)])
def test_degenerate(period):
    """Constant periods and no time at all: nothing found, no warning."""
    found = changes(prepare(make_flat_run(period)))
    assert found.better == ""


def paced_run(extra, logged=True, n=6000):
    """Paced to 25 ms by a wait that is logged, or not."""
    run = run_of(extra, n=n)
    at = run.call_columns
    calls = {
        name.name: at.duration_ns[at.name == k].astype(np.int64) for k, name in enumerate(run.names)
    }
    jitter = np.random.default_rng(3).integers(-50_000, 50_000, n)
    period = 25_000_000 + jitter
    if logged:
        calls["sleep"] = period - sum(calls.values()) - 100_000
    return make_flat_run(period, calls)


_HALF = np.where(np.arange(6000) < 3500, 0, 1.2)


@pytest.mark.parametrize(
    ("extra", "better", "ms"), [(np.linspace(0, 1.5, 6000), "drift", 1.5), (_HALF, "steps", 1.2)]
)
def test_calls_that_get_longer_behind_a_wait_that_is_not_logged(extra, better, ms):
    """The period stays: what changes is the time in calls, by what was planted, in `second`."""
    found = changes(prepare(paced_run(extra, logged=False)))
    assert (found.better, found.of) == (better, ("period", "calls"))
    told = found.drift if better == "drift" else found.change_points[0]
    value = told.change_ms.value if better == "drift" else told.step_ms
    assert (told.of, told.parts[0].name) == ("calls", "second")
    assert value == pytest.approx(ms, abs=0.1)
    assert told.parts[0].ms == pytest.approx(ms, abs=0.1)
    assert all(part.name != UNATTRIBUTED for part in told.parts)
    code = "drift" if better == "drift" else "change_point"
    (said,) = [f.text for f in summarise(paced_run(extra, logged=False)).findings if f.code == code]
    assert "he time in calls " in said
    assert "mostly second (+1." in said
    assert said.endswith("the time outside calls, with the wait in it, gets less.")
    logged = changes(prepare(paced_run(extra)))  # where the wait is logged, the same is of the work
    assert (logged.better, logged.of) == (better, ("work",))


def test_steady_calls_behind_a_wait_that_is_not_logged():
    """Nothing is found, and both were looked at."""
    found = changes(prepare(paced_run(0, logged=False)))
    assert (found.better, found.of) == ("", ("period", "calls"))
    assert found.drift.of == "period"


def test_parts_of_a_difference_add_up_to_it_and_the_largest_are_named_first():
    """One call 1 ms longer in every tenth loop: that millisecond first, and no more if so asked."""
    basis = prepare(run_of(np.where(np.arange(6000) % 10 == 0, 1.0, 0.0)))
    tenth = np.arange(6000) % 10 == 0
    parts = contrast(basis, tenth, ~tenth)
    assert parts[0].name == "second"
    assert parts[0].ms == pytest.approx(1.0, abs=0.05)
    judged = basis.judged_ms
    between = judged[tenth].mean() - judged[~tenth].mean()
    assert sum(part.ms for part in parts) == pytest.approx(between, abs=1e-9)
    assert contrast(basis, tenth, ~tenth, 2) == parts[:2]
