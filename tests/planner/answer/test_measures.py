"""Figures of a run that a plan shows, by hand."""

import numpy as np
import pytest

from looptime.planner.answer.measures import measure
from tests.build_run import make_run
from tests.planner.build import NAMES


def test_a_bus_is_in_use_while_a_call_is_on_it():
    """Calls of 2 and 1 ms in loops of 10 ms: three tenths of the time."""
    run = make_run([10.0] * 60, [("gyro.read", 0, 2), ("motor.set", 5, 1)], NAMES)
    assert measure(run).bus["port"]["utilisation"].value == pytest.approx(0.3)


def test_the_share_of_time_has_an_error_without_a_unit():
    """Loops ten times as long and a budget ten times as large change neither share nor error."""
    rng = np.random.default_rng(1)
    periods = 10 + rng.exponential(2, 200)
    calls = [("gyro.read", 0, 2)]
    short = measure(make_run(periods, calls, NAMES), budget_ms=13).overrun_time_share
    long = measure(make_run(10 * periods, calls, NAMES), budget_ms=130).overrun_time_share
    over = periods > 13
    assert short.value == pytest.approx(periods[over].sum() / periods.sum())
    assert long.value == pytest.approx(short.value)
    assert long.se == pytest.approx(short.se)
    # linearised ratio, over batches of ten loops
    left = (np.where(over, periods, 0) - short.value * periods).reshape(20, 10).mean(axis=1)
    assert short.se == pytest.approx(left.std(ddof=1) / np.sqrt(20) / periods.mean())
