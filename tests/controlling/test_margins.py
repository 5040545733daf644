"""Margins of even loops."""

import math

import pytest

from looptime.controlling.law import Law, Plant
from looptime.controlling.margins import margins
from looptime.controlling.matrices import EvenLoop, even_matrix, spectral_radius
from tests.controlling.build import DRIFT


@pytest.mark.parametrize("kp", [0.5, 3.0, 9.0])
def test_margins_of_even_loops(kp):
    """L = a/(z - 1): gain margin 2/a, crossover at 2 asin(a/2), margin 90 deg less half of that."""
    a = 7.0 * kp * 0.01
    found = margins(Law("per loop", kp), DRIFT, EvenLoop(0.01, 0.0))
    angle = 2 * math.asin(a / 2)
    assert found.gain_margin == pytest.approx(2 / a, rel=1e-9)
    assert found.phase_margin_deg == pytest.approx(90 - math.degrees(angle) / 2, rel=1e-9)
    assert found.crossover_hz == pytest.approx(angle / (2 * math.pi * 0.01), rel=1e-9)


def test_the_gain_margin_leads_to_the_edge():
    """Gains multiplied by it give a spectral radius of 1, whatever law, plant and latency."""
    at = EvenLoop(0.02, 0.7, 0.005)
    law = Law("fixed step", 0.4, 0.2, 0.03, step_s=0.02, filter_s=0.01)
    for plant in (Plant("position", 5.0, 0.05), Plant("speed", 5.0, 0.2)):
        factor = margins(law, plant, at).gain_margin
        edge = Law("fixed step", 0.4 * factor, 0.2 * factor, 0.03 * factor, 0.02, 0.01)
        assert spectral_radius(even_matrix(edge, plant, at).each[0]) == pytest.approx(1, abs=1e-9)


def test_plain_phase_rule():
    """Far below the loop rate the phase that is lost is 360 f (L + T/2) degrees."""
    at = EvenLoop(0.01, 0.6)
    found = margins(Law("per loop", 0.2), DRIFT, at)
    lost = 360 * found.crossover_hz * (0.006 + 0.005)
    assert found.phase_margin_deg == pytest.approx(90 - lost, abs=1e-3)
