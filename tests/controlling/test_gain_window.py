"""Controllers that settle within a window of gains, held to a simulation and to Routh."""

import math

import numpy as np
import pytest

import looptime
from looptime.controllers import Controller
from looptime.views.text.control_answer import control_sentence
from tests.build_run import make_run

#: The tray lift's time constant [s]; its speed at full output is 1.
TAU = 0.5


def left(kp, ki, kd, periods):
    """How large the last tenth of a swing is, over that before: a lift by its own solution.

    ``tau v' + v = u``, read and used at the start of each loop, with the integral summed and the
    derivative taken over the loop before, begun off its place.
    """
    x, v, total, last, seen, before = 1.0, 0.0, 0.0, 1.0, [], periods[0]
    for period in periods:
        total -= x * before
        u = -kp * x + ki * total - kd * (x - last) / before
        last, before = x, period
        share = 1 - math.exp(-period / TAU)
        x += TAU * share * v + (period - TAU * share) * u
        v += share * (u - v)
        seen.append(abs(x))
    tenth = len(seen) // 10
    return max(seen[-tenth:]) / max(seen[-2 * tenth : -tenth])


def told(kp, ki, kd, periods):
    lift = Controller("lift", kp=kp, ki=ki, kd=kd, plant="position", full_speed=1.0,
                      time_constant_ms=1e3 * TAU, form="measured step")  # fmt: skip
    found = looptime.control(make_run(1e3 * periods), controllers=[lift])
    return found.controllers[0].model.stability, control_sentence(found)


EVEN = np.full(8000, 0.02)
UNEVEN = np.random.default_rng(4).choice([0.01, 0.03], 8000)


@pytest.mark.parametrize("periods", [EVEN, UNEVEN])
@pytest.mark.parametrize("gains", [(20.0, 80.0, 60.0), (40.0, 160.0, 160.0)])
def test_one_that_grows_settles_between_two_gains(gains, periods):
    """Just inside the window a swing dies out, just outside of it grows, and the text says both."""
    found, said = told(*gains, periods)
    low, high = found.settles_from_factor, found.settles_to_factor
    assert found.state == "grows"
    assert f"settles with gains between {low:.2g} and {high:.2g} times what they are" in said
    assert "not with all lower ones" in said

    def dies_out(factor):
        return left(*(factor * gain for gain in gains), periods) < 1

    # by the mean square uneven loops end a little before those of one log do
    over = 1.02 if periods is EVEN else 1.3
    assert [dies_out(f) for f in (0.9 * low, 1.1 * low, 0.98 * high)] == [False, True, True]
    with np.errstate(over="ignore"):
        assert left(*(over * high * gain for gain in gains), periods[:2000]) > 1


def test_the_lower_edge_is_that_of_routh():
    """With quick loops tau s^3 + (1 + f kd) s^2 + f kp s + f ki, f = (tau ki/kp - 1)/kd."""
    kp, ki, kd = 20.0, 80.0, 6.0
    found, said = told(kp, ki, kd, np.full(4000, 0.0002))
    assert found.state in ("settles", "rings")
    assert found.settles_to_factor is None
    assert found.settles_from_factor == pytest.approx((TAU * ki / kp - 1) / kd, rel=0.01)
    assert "of just below 0.17 times" in said


def test_where_all_lower_gains_settle_no_lower_edge_is_said():
    """Under proportional control x' = u settles from 0 up to 2/T."""
    one = {"plant": "position", "full_speed": 1.0, "form": "measured step"}
    for kp, high in ((80.0, None), (125.0, 0.8)):
        made = looptime.control(
            make_run(1e3 * EVEN), controllers=[Controller("lift", kp=kp, **one)]
        )
        found = made.controllers[0].model.stability
        assert found.settles_from_factor is None
        assert found.settles_to_factor == (high and pytest.approx(high, rel=1e-6))
        assert "just below" not in control_sentence(made)
        assert "between" not in control_sentence(made)


def test_one_that_grows_at_every_lower_gain_is_promised_none():
    """Without a derivative a lift under kp < tau ki grows whatever the gains are, by Routh."""
    found, said = told(1.0, 8.0, 0.0, EVEN)
    assert found.state == "grows"
    assert found.settles_to_factor is None
    assert "settles" not in said
