"""The summary as a whole: its keys, its JSON, its parts, odd input."""

import json

import numpy as np
import pytest

from looptime.analysers import summarise, together
from looptime.analysers.estimate import to_json
from looptime.findings import find
from tests.build_run import make_flat_run, make_run

KEYS = {
    "loops": {"count", "warmup", "duration_s"},
    "pacing": {"mode", "nominal_hz", "achieved_hz"},
    "period_ms": {"mean", "sd", "min", "p50", "p90", "p95", "p99", "p999", "max"},
    "work_ms": {"mean", "sd", "min", "p50", "p90", "p95", "p99", "p999", "max"},
    "period_by_time_ms": {"p50", "p90", "p99"},
    "rate_hz": {"by_loops", "by_time"},
    "overruns": {"budget_ms", "count", "share", "time_share"},
    "unattributed": {"self_ms_per_loop", "share", "slow_excess_ms", "variance_share"},
    "recorder": {"cost_share", "dropped"},
}
CALL_KEYS = {
    "name", "thread", "kind", "subsystem", "device", "bus", "calls_per_loop", "self_ms_per_loop",
    "share", "p50_ms", "p99_ms", "max_ms", "first_ratio", "slow_excess_ms", "variance_share",
}  # fmt: skip
LISTS = ("kinds", "subsystems", "buses", "recurrence", "change_points", "freshness", "findings")


def usual_run(n=700, seed=1):
    """A read, a computation, a bus."""
    rng = np.random.default_rng(seed)
    read = (3e6 * np.exp(rng.normal(0, 0.05, n))).astype(np.int64)
    work = (5e6 * np.exp(rng.normal(0, 0.05, n))).astype(np.int64)
    names = {"gyro.read": {"kind": "sensor read", "bus": "port"}, "update": "compute"}
    return make_flat_run(read + work + 500_000, {"gyro.read": read, "update": work}, names)


def test_every_documented_key():
    """The keys that scripts rely on are there, and the text is valid JSON without NaN."""
    found = summarise(usual_run(), budget_ms=12).to_dict()
    for key, inner in KEYS.items():
        assert inner <= set(found[key]), key
    assert set(found["calls"][0]) >= CALL_KEYS
    assert set(found["buses"][0]) >= {"bus", "transactions_per_loop", "ms_per_loop", "share"}
    for key in LISTS:
        assert isinstance(found[key], list), key
    assert "drift" in found
    assert "headroom_ms" in found
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert set(found["period_ms"]["p50"]) == {"value", "low", "high"}


@pytest.mark.parametrize(
    "run",
    [
        make_run([]),
        make_run([10]),
        make_run([10, 12]),
        make_run([0] * 100),
        make_run([10] * 1000),
        make_run([10] * 300, [("update", 0, 0)]),
        make_run([10] * 300, [("update", 0, 10)]),
        make_run([10] * 300, [("pace", 0, 10)], {"pace": "pacing"}),
        make_run([10, 0] * 200, lambda k: [("gyro.read", 0, 5)] if k % 2 == 0 else []),
    ],
    ids=["none", "one", "two", "zero", "constant", "instant", "full", "only waiting", "zeros"],
)
def test_odd_runs(run):
    """No warning, no division by zero, and JSON without NaN."""
    for keep in (False, True):
        json.dumps(summarise(run, budget_ms=5, keep_warmup=keep).to_dict(), allow_nan=False)


def test_warm_up_is_kept_out_and_said_so():
    """The figures rest on the loops after the cut; the counts say how many were cut."""
    t = np.arange(5000) * 0.01
    rng = np.random.default_rng(2)
    period = 10e6 * (1 + 0.3 * np.exp(-t / 2)) * np.exp(rng.normal(0, 0.04, 5000))
    run = make_flat_run(period.astype(np.int64))
    cut, kept = summarise(run), summarise(run, keep_warmup=True)
    loops = cut.to_dict()["loops"]
    assert loops["warmup"] > 100
    assert loops["count"] == 5000 == loops["used"] + loops["warmup"]
    assert loops["duration_s"] == pytest.approx(run.duration_s)
    assert cut.pace.period_ms.mean.value < kept.pace.period_ms.mean.value
    assert kept.to_dict()["loops"]["warmup"] == 0
    assert kept.warmup.loops == cut.warmup.loops


def test_times_count_from_the_start_of_the_recording():
    """A stall keeps its time when the warm-up before it is cut away."""
    run = usual_run(3000)
    period = run.loop_columns.period_ns.copy()
    period[2000] += 50_000_000
    stalled = make_flat_run(period)
    later = stalled.select(np.arange(3000) >= 1000)
    origin = int(stalled.loop_columns.start_ns[0])
    at = summarise(later, origin_ns=origin).slow.events[0]
    assert at.time_s == pytest.approx(period[:2000].sum() / 1e9)


def test_recorder_cost():
    """Rows times the cost of a row over the elapsed time."""
    from dataclasses import replace

    run = replace(make_run([10] * 50, [("a", 0, 1), ("b", 2, 1)]), meta={"row_cost_ns": "500"})
    assert summarise(run).to_dict()["recorder"]["cost_share"] == pytest.approx(2 * 500 / 10e6)
    unknown = replace(run, meta={"row_cost_ns": "?"})
    assert summarise(unknown).recorder_share is None


def test_several_recordings():
    """Spread of the logarithm between recordings, and the one that is far off."""
    runs = [summarise(make_run([p] * 60)) for p in (10.0, 10.1, 9.9, 10.05, 20.0)]
    found = together(runs)
    mean = found.figures[0]
    expected = 100 * np.log([10.0, 10.1, 9.9, 10.05, 20.0]).std(ddof=1)
    assert mean.spread_percent == pytest.approx(expected)
    assert (mean.lowest_ms, mean.highest_ms) == pytest.approx((9.9, 20.0))
    assert mean.outliers == (4,)
    assert together(runs[:1]) is None


def test_recordings_whose_clock_tells_no_single_loop_have_their_means_alone():
    """Periods of 0.9 ms on a clock of 10 ms: no quantile is known, and none is compared."""
    ms = 10 * np.diff(np.floor(np.arange(0, 3000) * 0.09))
    run = make_flat_run(np.rint(ms * 1e6).astype(np.int64), tick_ns=10_000_000)
    found = together([summarise(run)] * 2)
    assert [one.figure for one in found.figures] == ["mean"]
    assert (found.figures[0].lowest_ms, found.figures[0].spread_percent) == (
        pytest.approx(0.9, rel=0.02), 0,
    )  # fmt: skip


def test_to_json_of_odd_values():
    """What is not finite becomes None, arrays become lists."""
    assert to_json({"a": np.array([1.0, np.inf]), "b": (np.int64(2),)}) == {
        "a": [1.0, None], "b": [2],
    }  # fmt: skip


def test_rhythms_are_left_out_where_loops_do_not_follow_one_another():
    """Nothing is said to recur, nor not to recur, where nobody looked."""
    period = np.full(2000, 10_000_000)
    period[::50] += 8_000_000
    whole = summarise(make_flat_run(period))
    assert [round(r.every_loops) for r in whole.recurrence.found] == [50]
    few = summarise(make_flat_run(period), rhythms=False)
    assert few.recurrence.found == ()
    assert few.recurrence.note
    assert few.slow.count == whole.slow.count
    assert not any("interval" in f.text for f in find(few))


def test_the_time_used_is_that_of_the_loops_used():
    """A warm-up that is cut is missing from the loops used and from their time."""
    t = np.arange(3000) * 0.01
    warm = 10 * (1 + 0.5 * np.exp(-t)) * np.random.default_rng(1).lognormal(0, 0.02, 3000)
    at = summarise(make_run(warm)).to_dict()["loops"]
    assert at["warmup"] > 50
    assert (at["count"], at["used"]) == (3000, 3000 - at["warmup"])
    assert at["duration_s"] == pytest.approx(warm.sum() / 1e3)
    assert at["used_duration_s"] == pytest.approx(warm[at["warmup"] :].sum() / 1e3)
