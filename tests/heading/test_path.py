"""Floor position: closed forms and the cases worked by hand."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.heading.motion import Steady, turn
from looptime.heading.path import HEADINGS, dead_reckoned, true_path
from looptime.heading.pattern import even
from tests.heading.closed_forms import even_path_ratio

W = np.radians(180.0)


@pytest.mark.parametrize("heading", HEADINGS)
@pytest.mark.parametrize("period", [0.005, 0.02, 0.1])
def test_complex_ratio(heading, period):
    """Computed over true path is (x / sin x) exp(-i x), x / sin x and 1."""
    motion, sampling = Steady("", W), even(1 / period, 30)
    true = true_path(motion, 7 * period)
    error = dead_reckoned(motion, sampling, np.array([0.0]), 7 * period, heading)[0]
    assert 1 + error / true == pytest.approx(even_path_ratio(W, period, heading), rel=1e-9)


@pytest.mark.parametrize(
    ("period_ms", "start_cm", "mid_cm"),
    [(5, 0.35, 0.0005), (20, 1.41, 0.007), (50, 3.54, 0.05), (100, 7.08, 0.19)],
)
def test_half_a_turn_at_a_metre_a_second(period_ms, start_cm, mid_cm):
    """1 m/s and 180 deg/s for 0.5 s: the sensitivity to the rate depends on the heading used."""
    motion, sampling = Steady("", W), even(1e3 / period_ms, 300)
    start, mid = (
        100 * abs(dead_reckoned(motion, sampling, np.array([0.0]), 0.5, h)[0])
        for h in ("start", "mid")
    )
    assert start == pytest.approx(start_cm, abs=0.0051)
    assert mid == pytest.approx(mid_cm, rel=0.12)


@pytest.mark.parametrize(("heading", "order"), [("start", 1), ("mid", 2)])
def test_order_of_convergence(heading, order):
    """Halving the steps halves the start heading's error and quarters the mean heading's."""
    motion = Steady("", W)
    sizes = [
        abs(dead_reckoned(motion, even(rate, 400), np.array([0.0]), 0.5, heading)[0])
        for rate in (40, 80, 160)
    ]
    assert np.log2(np.array(sizes[:-1]) / np.array(sizes[1:])) == pytest.approx(
        [order] * 2, abs=0.05
    )


def test_true_path_of_a_turn_against_fine_steps():
    """The true displacement of a turn is that of adding up a million small steps."""
    motion = turn(180, 180, 720)
    t = (np.arange(1_000_000) + 0.5) * 1.25e-6
    wanted = np.exp(1j * motion.heading(t)).sum() * 1.25e-6
    assert true_path(motion, 1.25) == pytest.approx(wanted, rel=1e-9)


def test_unknown_heading_is_refused():
    """Only start, mid and arc are headings for a step."""
    with pytest.raises(UsageError, match="start, mid, arc"):
        dead_reckoned(Steady("", W), even(10, 30), np.array([0.0]), 0.5, "end")
