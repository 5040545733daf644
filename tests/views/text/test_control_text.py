"""Controllers and steered wheels as text: the sentence says what the figures say."""

from __future__ import annotations

import numpy as np
import pytest

import looptime
from looptime.controllers import Controller, Wheel, parse_target
from looptime.project import Project
from looptime.views.text.control_text import control_sentence, render_control
from looptime.views.text.terminal import show
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


def test_without_a_model():
    """Which gains the pace changes, or that it leaves them alone."""
    periods = np.tile([10.0, 20.0, 20.0, 40.0], 100)
    assert "derivative acts 0.5 times" in answer(periods, kp=1, kd=1, form="per loop")
    assert "integral" not in answer(periods, kp=1, kd=1, form="per loop")
    assert "leaves the gains alone" in answer(periods, kp=1, kd=1, form="measured step")


def test_one_screen(capsys):
    """Five controllers and four wheels: at most 40 lines of tables, and three lines of why."""
    names = ("fl", "fr", "rl", "rr")
    calls = [(f"{n}.read", 1 + k, 0.5) for k, n in enumerate(names)]
    calls += [(f"{n}.write", 8 + k, 0.5) for k, n in enumerate(names)]
    stated = tuple(
        Controller(f"{n} steering", f"{n}.read", f"{n}.write", form="fixed step", step_ms=18,
                   kp=0.02, ki=0.01, plant="position", full_speed=700, time_constant_ms=30,
                   unit="deg", target=parse_target("step:45"), tolerance=1.0)
        for n in names
    )  # fmt: skip
    wheels = tuple(Wheel(n, f"{n}.read", f"{n}.write") for n in names)
    project = Project(controllers=stated, wheels=wheels, max_steering_deg_s=360)
    periods = 20 + np.random.default_rng(1).gamma(2.0, 0.5, 700)
    show(render_control(looptime.control(make_run(periods, calls), project=project), "a.csv"))
    shown = capsys.readouterr().out.splitlines()
    assert shown[0].startswith("4 controllers with a model settle")
    assert len(shown) <= 41
