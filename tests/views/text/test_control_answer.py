"""The answer on controllers and why: each sentence says what the figures say."""

import numpy as np
import pytest

import looptime
from looptime.controllers import Controller, parse_target
from looptime.views.text.control_answer import control_sentence, reasons
from tests.build_run import make_run

CALLS = [("m.read", 1, 2), ("m.write", 6, 1)]


def answer(periods=(20.0,) * 400, **keys):
    """The sentence for one controller."""
    one = Controller("mast", "m.read", "m.write", **keys)
    return control_sentence(looptime.control(make_run(periods, CALLS), controllers=[one]))


@pytest.mark.parametrize(
    ("kp", "said"),
    [(1.0, "mast settles at this pace"), (5.5, "mast would ring"), (9.0, "mast would not settle")],
)
def test_states(kp, said):
    """Even loops, latency 6 of 20 ms: x' = 10 u grows from kp = 1/(0.3 x 10 x 0.02) = 16.7 on."""
    assert said in answer(kp=2 * kp, plant="position", full_speed=10.0)


def test_room_in_the_sentence():
    """The factor is that of Jury's test: 1/lam over a."""
    said = answer(kp=4.0, plant="position", full_speed=10.0)
    assert f"gains of {1 / 0.3 / 0.8:.1f} times" in said


def test_gains_and_periods_of_the_edge():
    """Jury's test: with a latency of 0.3 loops it grows from a = 10 kp T = 1/0.3 on.

    At a slower pace its work takes 6 ms as before: with kp = 2 it grows from 20 T = 2/(1 - 12 ms/T)
    on, that is from T = 112 ms.
    """
    said = answer(kp=40.0, plant="position", full_speed=10.0)
    assert f"settles with gains below {1 / 0.3 / 8:.2g} times" in said
    assert "even loops of 112 ms" in answer(kp=2.0, plant="position", full_speed=10.0)


def test_uneven_loops_that_unsettle_are_named():
    """One loop in 20 of 200 ms, the others 20: x' = u settles in mean square below 2 E[T]/E[T^2].

    That is 24.4 for them and 2/E[T] = 69 for even loops; with 80 even ones grow as well.
    """
    periods = np.tile([20.0] * 19 + [200.0], 40)
    one = {"form": "measured step", "plant": "position", "full_speed": 1.0}

    def told(kp):
        made = Controller("mast", kp=kp, **one)
        return control_sentence(looptime.control(make_run(periods), controllers=[made]))

    assert "the uneven loops do it, even ones of the same mean would settle" in told(30.0)
    assert "below 0.81 times" in told(30.0)
    assert "would not settle" in told(80.0)
    assert "uneven" not in told(80.0)
    assert "uneven" not in told(20.0)


def test_of_a_controller_on_the_motor_the_set_point_ages():
    """Even loops of 20 ms, read 1 ms and written 7 ms into each: 6 + 20/2 ms old on average."""
    said = answer(kp=1, kd=1, form="per loop", runs_on="device")
    assert "which runs on the motor's own controller; its set-point is 16.0 ms old" in said
    assert "measurement" not in said
    assert "its measurement is 16.0 ms old" in answer(kp=1, kd=1, form="measured step")


def test_a_move_is_answered_without_a_tolerance():
    """A rate of 10 u with kp 0.8 creeps up from below and never passes its target."""
    said, model = why(np.full(400, 20.0), kp=0.8, plant="position", full_speed=10.0,
                      target=parse_target("step:1"))  # fmt: skip
    assert "step:1: overshoot 0 (p95), with even loops 0; settled after" in said
    assert f"{model.recorded.settle_ms.p95:.3g} ms (p95)" in said


def test_without_a_model():
    """Which gains the pace changes, or that it leaves them alone."""
    periods = np.tile([10.0, 20.0, 20.0, 40.0], 100)
    assert "derivative acts 0.5 times" in answer(periods, kp=1, kd=1, form="per loop")
    assert "its code ignores the step" in answer(periods, kp=1, kd=1, form="per loop")
    assert "integral" not in answer(periods, kp=1, kd=1, form="per loop")
    assert "leaves the gains of mast alone" in answer(periods, kp=1, kd=1, form="measured step")


def test_a_step_assumed_wrongly_is_wrong_in_every_loop():
    """Code that assumes 20 ms in an even loop of 26: integral 20/26, derivative 26/20 as strong."""
    said = answer((26.0,) * 400, kp=1, ki=1, kd=1, form="fixed step", step_ms=20)
    assert "assumes steps of 20.0 ms where they take 26.0 ms" in said
    assert "integral acts 0.769 times" in said
    assert "derivative acts 1.30 times" in said
    right = answer((20.0,) * 400, kp=1, ki=1, kd=1, form="fixed step", step_ms=20)
    assert "leaves the gains of mast alone" in right


@pytest.mark.parametrize(("kd", "loud"), [(0.02, True), (0.002, False)])
def test_a_coarse_sensor_under_a_derivative(kd, loud):
    """Steps of 0.5 over 10 ms: kd times 50, of at most 1."""
    said = answer((10.0,) * 400, kp=0.1, kd=kd, form="measured step", resolution=0.5, unit="deg")
    assert ("each 0.5 deg step of the sensor moves the output of mast by 1.00" in said) == loud


def why(periods, **keys):
    """What is said below the answer."""
    one = Controller("mast", "m.read", "m.write", form="measured step", **keys)
    found = looptime.control(make_run(periods, CALLS), controllers=[one])
    return " ".join(reasons(found)), found.controllers[0].model


def test_one_stall_beyond_the_tolerance_is_said():
    """A rate of 10 u with kp 0.8, held from the first reading on for 190 ms: 8 x 0.19 - 1 over."""
    periods = np.full(600, 20.0)
    periods[300] = 190.0
    said, _ = why(periods, kp=0.8, plant="position", full_speed=10.0,
                  target=parse_target("step:1"), tolerance=0.05)  # fmt: skip
    assert "one hold of 190 ms" in said
    assert "overshoot of mast 0.52 instead of 0" in said


def test_stalls_and_gains_share_the_blame():
    """Even loops miss it, too, at any rate, but the stalls double it: neither is acquitted."""
    periods = np.full(900, 35.0)
    periods[::9] = 140.0
    said, model = why(periods, kp=5.0, plant="position", full_speed=1.2, time_constant_ms=100,
                      target=parse_target("step:0.15"), tolerance=0.005)  # fmt: skip
    now, even = (side.overshoot.p95 for side in (model.recorded, model.even))
    assert now > 1.25 * even > 0.005
    assert f"{now:.3g}, with even loops {even:.3g}: much of it is the stalls'" in said
    assert "change the gains or the target, too" in said


@pytest.mark.parametrize(("period", "placed"), [(8.0, False), (20.0, True)])
def test_gains_alone_are_to_blame_over_even_loops(period, placed):
    """A step that overshoots over even loops does so at any rate: the loop is acquitted.

    Up to the fastest that its work allows, where its longest time without a call is at its end.
    """
    said, model = why(np.full(900, period), kp=5.0, plant="position", full_speed=1.2,
                      time_constant_ms=300, target=parse_target("step:0.15"),
                      tolerance=0.005)  # fmt: skip
    fastest = max(p.rate_hz for p in model.curve)
    over = max(p.response.overshoot.p95 for p in model.curve if p.rate_hz == fastest)
    assert f"the overshoot is {over:.3g} (p95); change the gains or the target" in said
    assert f"no rate keeps it: even at {fastest:.3g} loops a second" in said
    assert ("the most that its work allows" in said) == placed
    assert f"overshoot (p95) {model.even.overshoot.p95:.3g}" in said
