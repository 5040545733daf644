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


def test_calls_of_two_sizes_bound_the_cost_of_an_item():
    """One item takes 0.6 to 0.7 ms and five take 1.4 to 1.6 ms: 0.7 to 1.0 ms for four more."""
    others = [(1, 0.6e6), (1, 0.7e6), (5, 1.4e6), (5, 1.6e6)]
    cost = batch_cost([1], [0.65e6], others=others)
    assert cost.per_item_low_ns == pytest.approx(0.7e6 / 4)
    assert cost.per_item_high_ns == pytest.approx(1.0e6 / 4)
    assert cost.single_ns == pytest.approx(0.65e6 - 0.85e6 / 4)
    assert cost.is_range


@pytest.mark.parametrize(("items", "ms"), [(6, 1.7), (None, 0.7)])
def test_a_call_costs_its_items(items, ms):
    """0.5 ms and 0.2 ms for each item; a call that states none fetches one."""
    name = CallName("gyro.read", bus="port", items=items)
    assert call_cost_ms(name, {"port": Bus(0.5, 0.2, "fair")}) == pytest.approx(ms)
    assert call_cost_ms(name, {}) is None
