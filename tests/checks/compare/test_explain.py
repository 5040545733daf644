"""The difference of the means, split among the calls."""

import pytest

from tests.checks.build import CALLS, paced, recording
from tests.checks.compare.build import change_named, compare_sides


@pytest.mark.parametrize("wait", [False, True])
def test_differences_per_call_add_up_to_the_whole(wait):
    """The parts sum to the difference of the means to 1e-9, also paced and with unlike calls."""
    more = {**CALLS, "camera.read": 0.7}
    del more["mast.position.read"]
    before, after = [recording(1), recording(2)], [recording(3, calls=more)]
    if wait:
        before, after = ([paced(run, 20.0) for run in side] for side in (before, after))
    found = compare_sides(before, after)
    at = found.explained
    assert found.quantity == ("work" if wait else "period")
    assert sum(p.difference_ms for p in at.parts) == pytest.approx(at.difference_ms, abs=1e-9)
    row = change_named(found, "mean")
    assert at.difference_ms == pytest.approx(row.difference.value, abs=1e-9)
    assert at.before_ms == pytest.approx(row.before, abs=1e-9)
    by_name = {p.name: p for p in at.parts}
    assert by_name["camera.read"].before_ms == 0.0
    assert by_name["mast.position.read"].after_ms == 0.0
    assert "pace.sleep" not in by_name


def test_the_shift_shows_the_whole_distribution():
    """Quantiles on each side, their difference, and an interval that holds the truth."""
    found = compare_sides([recording(1)], [recording(2, scale=1.05)])
    assert [s.percent for s in found.shift] == [1, 5, 10, 25, 50, 75, 90, 95, 99]
    middle = next(s for s in found.shift if s.percent == 50)
    assert middle.difference_ms.low < 0.05 * 7.8 < middle.difference_ms.high
    assert middle.before_ms == pytest.approx(change_named(found, "median").before)


def test_parts_that_cancel_have_no_share():
    """0.5 ms more in one call, 0.45 less in another: no part of 0.05 ms, but 0.5 of 0.55 is."""
    one = {**CALLS, "gyro.read": CALLS["gyro.read"] + 0.5}
    other = {**one, "drive.motors.write": CALLS["drive.motors.write"] - 0.45}
    also = {**one, "telemetry.send": CALLS["telemetry.send"] + 0.05}
    cancelled, added = (
        compare_sides([recording(1)], [recording(1, calls=calls)]).explained
        for calls in (other, also)
    )
    assert cancelled.cancels
    assert {p.share for p in cancelled.parts if p.difference_ms} == {None}
    assert cancelled.parts[0].difference_ms == pytest.approx(0.5, abs=0.02)
    assert not added.cancels
    assert added.parts[0].share == pytest.approx(0.5 / 0.55, abs=0.02)
