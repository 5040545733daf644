"""Motions: exact rates and headings."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.heading.motion import Profile, Steady, Weave, turn


def _numeric_heading(motion, t):
    fine = np.linspace(0.0, t, 200_001)
    rate = motion.rate((fine[1:] + fine[:-1]) / 2)
    return float(rate.sum() * t / 200_000)


@pytest.mark.parametrize(
    "motion",
    [
        Steady("", 2.0),
        Weave("", 0.4, 1.7),
        turn(90, 180, 500),
        turn(10, 400, 500),
        Profile("", np.array([0.0, 0.3, 0.4, 1.0]), np.array([0.0, 2.0, -1.0, 0.5])),
    ],
)
@pytest.mark.parametrize("t", [0.05, 0.37, 0.81, 1.0])
def test_heading_is_the_integral_of_the_rate(motion, t):
    """Every motion's heading is its turn rate added up from 0."""
    assert float(motion.heading(t)) == pytest.approx(_numeric_heading(motion, t), abs=1e-7)


@pytest.mark.parametrize(
    ("angle", "rate", "speed_up"), [(180, 180, 720), (20, 180, 720), (45, 90, 45)]
)
def test_turn_reaches_its_angle_at_rest(angle, rate, speed_up):
    """A turn ends at its angle, never exceeds its rate, and begins and ends at rest."""
    motion = turn(angle, rate, speed_up)
    assert np.degrees(motion.heading(motion.duration_s)) == pytest.approx(angle, rel=1e-12)
    assert np.degrees(motion.angle) == pytest.approx(angle, rel=1e-12)
    assert np.degrees(motion.peak_rate) == pytest.approx(min(rate, np.sqrt(angle * speed_up)))
    assert motion.rate([0.0, motion.duration_s]).tolist() == pytest.approx([0.0, 0.0], abs=1e-12)
    assert np.degrees(np.abs(motion.slopes).max()) == pytest.approx(speed_up)


def test_turn_stands_still_outside():
    """Before a turn the heading is 0, after it the angle, and the rate 0."""
    motion = turn(90, 180, 500)
    assert motion.heading([-1.0, 99.0]).tolist() == [0.0, pytest.approx(np.radians(90))]
    assert motion.rate([-1.0, 99.0]).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("numbers", [(0, 180, 720), (90, -180, 720), (90, 180, 0), (90, np.nan, 1)])
def test_impossible_turns_are_refused(numbers):
    """An angle, rate or acceleration that is not above 0 is an error of use."""
    with pytest.raises(UsageError, match="must be above 0"):
        turn(*numbers)


def test_endless_turn_is_refused():
    """A turn of more than an hour is taken for a slip of the unit."""
    with pytest.raises(UsageError, match="more than an hour"):
        turn(360, 0.01, 10)


@pytest.mark.parametrize("motion", [turn(90, 180, 500), Weave("", 0.4, 1.7), Steady("", 1.0)])
def test_phases_cover_the_motion(motion):
    """The moments that stand for a motion have shares that add up to 1 and give its mean rate."""
    times, shares = motion.phases(300)
    assert shares.sum() == pytest.approx(1.0)
    length = motion.duration_s or (1 / 1.7 if isinstance(motion, Weave) else 1.0)
    assert motion.rate(times) @ shares * length == pytest.approx(
        float(motion.heading(length)), abs=1e-9
    )


def test_a_motion_that_begins_in_full_stands_before_it_and_after():
    """2 rad/s for one second, without a ramp: no turning a moment before, none after the end."""
    made = Profile("", np.array([0.0, 1.0]), np.array([2.0, 2.0]))
    assert made.rate([-0.1, 0.0, 0.5, 1.0, 1.1]).tolist() == [0.0, 2.0, 2.0, 2.0, 0.0]
    assert made.heading([-0.1, 0.5, 1.1]).tolist() == [0.0, 1.0, 2.0]
