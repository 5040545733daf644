"""Totals of many runs are exact, whatever the order and the grouping."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.checks.season.merge import Totals, merged, totals
from tests.checks.build import CALLS, recording

SETTINGS = Settings(budget_ms=9.0)


@pytest.fixture(scope="module")
def series():
    runs = [
        recording(
            k, loops=500 + 100 * k, calls={**CALLS, **({"camera.read": 1.0} if k % 2 else {})}
        )
        for k in range(6)
    ]
    return [record(run, SETTINGS).series() for run in runs]


@pytest.fixture(scope="module")
def parts(series):
    return [totals(measure(s)) for s in series]


@given(order=st.permutations(range(6)), cut=st.integers(0, 6))
@settings(max_examples=40)
def test_any_order_and_grouping_gives_the_same_totals(parts, order, cut):
    """Two groups, each merged in another order, merge to what all give one by one."""
    groups = [order[:cut], order[cut:]]
    halves = [sum((parts[k] for k in group), Totals()) for group in groups]
    assert halves[0] + halves[1] == sum(parts, Totals())


def test_totals_are_those_of_all_loops_at_once(series, parts):
    """Counts and sums are exact; quantiles lie within 1 % of the sorted element."""
    whole = merged(measure(s) for s in series)
    assert whole == sum(parts, Totals())
    periods = np.sort(np.concatenate([s.period_ns for s in series]))
    assert (whole.runs, whole.loops) == (6, len(periods))
    assert whole.period.total_ns == periods.sum()
    assert whole.overruns == int((periods > 9_000_000).sum())
    data = whole.to_dict()
    for name, share in (("p50", 0.5), ("p95", 0.95), ("p99", 0.99)):
        exact = periods[int(np.ceil(share * len(periods))) - 1] / 1e6
        assert data["period_ms"][name] == pytest.approx(exact, rel=0.01)
    gyro = [p for s in series for p in s.parts if p.name == "gyro.read"]
    assert whole.calls["gyro.read", ""].self_ns == sum(int(p.self_ns.sum()) for p in gyro)
    assert whole.calls["gyro.read", ""].calls == sum(len(p.durations_ns) for p in gyro)
    json.dumps(data, allow_nan=False)


def test_self_times_of_all_runs_add_up_to_their_time(series, parts):
    """The calls' sums and what no call covers make the sum of all periods, to the nanosecond."""
    whole = sum(parts, Totals())
    assert sum(c.self_ns for c in whole.calls.values()) == whole.period.total_ns
