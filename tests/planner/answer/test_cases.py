"""Figures of several cases in one."""

from looptime.analysers.estimate import Figure
from looptime.planner.answer.cases import hull
from looptime.planner.answer.intervals import Side


def a_side(mean, low, high):
    """One call, one reading and one bus."""
    period = {"mean": Figure(mean, low, high)}
    call = {"name": "gyro.read", "thread": "main", "kind": "sensor read", "bus": None,
            "self_ms_per_loop": Figure(1.0, 0.9, high)}  # fmt: skip
    over = {"budget_ms": 10.0, "share": Figure(0.1, 0.0, 0.2)}
    ages = {"gyro.read": {"mean": Figure(mean, low, high)}}
    return Side(period, {}, Figure(1e3 / mean, 1e3 / high, 1e3 / low), over, (call,), ages, {})


def test_ranges_hold_each_case_and_no_more():
    """5 (4 to 6) and 9 (8 to 20) ms: 4 to 20; the value is that of the cases it rests on."""
    sides = a_side(5.0, 4.0, 6.0), a_side(9.0, 8.0, 20.0)
    first = hull([(sides[0], True), (sides[1], False)])
    assert first.period_ms["mean"] == Figure(5.0, 4.0, 20.0, level=0.9)
    assert first.rate_hz == Figure(200.0, 50.0, 250.0, level=0.9)
    assert first.calls[0]["self_ms_per_loop"] == Figure(1.0, 0.9, 20.0, level=0.9)
    assert first.calls[0]["name"] == "gyro.read"
    assert first.age_at_first_use_ms["gyro.read"]["mean"].high == 20.0
    assert first.overruns["budget_ms"] == 10.0
    both = hull([(side, True) for side in sides])
    assert both.period_ms["mean"] == Figure(7.0, 4.0, 20.0, level=0.9)
    assert hull([(sides[1], True)]) is sides[1]
