"""What a change of the pace does to constants, against code that is run at both paces."""

import pytest

from looptime.controllers import Controller
from looptime.controlling.gain_shift import gain_shift
from tests.controlling.brute import Code


@pytest.mark.parametrize("form", ["per loop", "fixed step"])
def test_the_constants_that_are_named_keep_the_behaviour(form):
    """The code with the new constants at the new pace does what the old one did at the old."""
    stated = Controller("mast", form=form, step_ms=20, kp=1, ki=0.4, kd=0.3)
    kept = gain_shift([stated], 30.0, 12.0).keep[0]

    def parts(ki, kd, period):
        code = Code(form, 0.0, ki, kd, h=0.02)
        code.error = -0.5 * period
        for k in range(round(6 / period)):
            code(k * period, 1.0, 0.0, 0.0)
        integral = code.ki * code.total
        code.error = 1.0
        slope = code(0.0, 1.0 + 0.5 * period, 0.0, 0.0) - code.ki * code.total
        return integral, slope

    before, after = parts(0.4, 0.3, 0.030), parts(kept.ki, kept.kd, 0.012)
    assert after == pytest.approx(before, rel=1e-9)


def test_sentences():
    """The constants for each controller; nothing without any, or where nothing changes."""
    fixed = Controller("mast", form="fixed step", step_ms=20, kp=1, ki=0.5)
    measured = Controller("arm", form="measured step", kp=1, ki=0.5)
    said = gain_shift([fixed, measured], 26.0, 20.0).sentence
    assert "ki x 0.77, kd x 1.30, or measure the step (mast: ki 0.385)" in said
    assert "arm" not in said
    assert gain_shift([], 26.0, 20.0).sentence == ""
    assert gain_shift([measured], 26.0, 20.0).sentence == ""
    assert gain_shift([fixed], 20.0, 20.1).sentence == ""
    assert gain_shift([fixed], None, 20.0) is None
