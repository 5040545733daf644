"""Where functions cross zero, against a general library."""

import numpy as np
import pytest
from scipy.optimize import brentq

from looptime.stats.root import crossing

FUNCTIONS = {
    "cubic": (lambda x: x**3 - 2, 0.0, 2.0),
    "swing": (lambda x: np.cos(x) - x, -1.0, 2.0),
    "steep": (lambda x: np.tanh(50 * (x - 0.3)), 0.0, 1.0),
    "step": (lambda x: 1.0 if x > 0.7 else -1.0, 0.0, 1.0),
    "falling": (lambda x: 1 / x - 3, 1.0, 0.1),
    "at one end": (lambda x: x, 0.0, 1.0),
    "at the other": (lambda x: x, -1.0, 0.0),
}


@pytest.mark.parametrize("name", FUNCTIONS)
@pytest.mark.parametrize("near", [1e-2, 1e-4, 1e-12])
def test_it_finds_what_a_general_library_finds(name, near):
    """The same place, as near as asked, with no more evaluations."""
    function, low, high = FUNCTIONS[name]
    asked = []

    def counted(x):
        asked.append(x)
        return function(x)

    found = crossing(counted, low, high, near, 60)
    there, told = brentq(function, low, high, xtol=near, maxiter=60, full_output=True)
    assert found == pytest.approx(there, abs=near)
    assert len(asked) <= told.function_calls


def test_it_ends_after_so_many_steps():
    """Three steps halve the interval at least once, and ask no more often."""
    asked = []

    def step(x):
        asked.append(x)
        return -1.0 if x < 2**-9 else 1.0

    assert 0 <= crossing(step, 0.0, 1.0, 1e-15, 3) <= 0.5
    assert len(asked) == 5
