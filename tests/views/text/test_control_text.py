"""Controllers and steered wheels as text: the sentence says what the figures say."""

import numpy as np

import looptime
from looptime.controllers import Controller, Wheel, parse_target
from looptime.project import Project
from looptime.views.text.control_text import render_control
from looptime.views.text.terminal import show
from tests.build_run import make_run

CALLS = [("m.read", 1, 2), ("m.write", 6, 1)]


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
