"""What a transaction costs, from what is stated and from what a log shows."""

import numpy as np
import pytest

from looptime.planner.known.bus_model import batch_cost, call_cost_ms
from looptime.project import Bus
from looptime.schema import CallName


def test_what_the_project_file_leaves_out_comes_from_the_log():
    """Reads of 0.9 ms for two items and 1.5 ms for five, 0.5 ms of it stated: 0.2 ms an item."""
    cost = batch_cost([2, 5], [0.9e6, 1.5e6], stated=(0.5, None))
    assert cost.single_ns == pytest.approx(0.5e6)
    assert (cost.per_item_low_ns, cost.per_item_high_ns) == pytest.approx((0.2e6, 0.2e6))
    seven = np.array([7.0]), np.array([1.5e6]), np.array([2.4e6])
    assert cost.ns(0.5, *seven) == pytest.approx([1.9e6])


@pytest.mark.parametrize("item_ms", [0.02, 0.2, 0.45])
def test_calls_of_other_devices_bound_no_batch(item_ms):
    """Six reads of 0.8 ms: whatever an item truly costs lies in the range, its middle by a gyro.

    The gyro, of three items, takes 1.0 ms for each more than one; the encoders, by what is planted,
    0.8 - item_ms for a transaction of none.
    """
    six, dearest, total = np.array([6.0]), np.array([0.8e6]), np.array([4.8e6])
    cost = batch_cost([1] * 6, [0.8e6] * 6, others=[(1, 0.8e6)] * 6 + [(3, 1.2e6)])
    low, middle, high = (float(cost.ns(end, six, dearest, total)[0]) for end in (0, 0.5, 1))
    truly = 1e6 * (0.8 - item_ms + 6 * item_ms)
    assert low <= truly <= high
    assert middle == pytest.approx(0.8e6 + 5 * 0.2e6)
    assert cost.is_range


@pytest.mark.parametrize(("items", "ms"), [(6, 1.7), (None, 0.7)])
def test_a_call_costs_its_items(items, ms):
    """0.5 ms and 0.2 ms for each item; a call that states none fetches one."""
    name = CallName("gyro.read", bus="port", items=items)
    assert call_cost_ms(name, {"port": Bus(0.5, 0.2, "fair")}) == pytest.approx(ms)
    assert call_cost_ms(name, {}) is None
