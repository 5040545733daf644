"""Whose a swing is, and what is said of it."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from looptime.cli import cli
from looptime.controllers import Controller
from looptime.controlling import control, swings
from looptime.controlling.fit_signals import FitSignals
from looptime.controlling.swings import Swings, _driven, _of_line, _same
from looptime.views.text.control_answer import control_sentence
from tests.build_run import make_run
from tests.controlling.swinging import even, play, weave


def run_of(goal, value, output, step=20.0):
    """Rows as signals, one a loop."""
    return make_run([step] * len(goal), signals={"fl_want": goal, "fl_is": value, "fl_u": output})


def test_a_floor_that_shakes_the_sensor_is_not_the_loop():
    """9 Hz of the floor: the output answers by its gain, and moves the wheel by hardly a part."""
    shaken = play(weave, even(2.0), shake=lambda t: 0.01 * np.sin(18 * np.pi * t), noise=0.001)[1:]
    found = control(run_of(*shaken), controllers=[Controller()], fit=("fl_u", "fl_is"), curve=False)
    one = found.controllers[0]
    assert one.oscillation is None
    assert any("which is not the loop's" in note and "9" in note for note in one.notes)


def test_the_answer_names_the_swing_and_whose_it_is():
    """A weaving target tells the mechanism, which swings so by its output."""
    rows = play(weave, even(30.0), dead=0.03)[1:]
    found = control(run_of(*rows), controllers=[Controller()], fit=("fl_u", "fl_is"), curve=False)
    one = found.controllers[0]
    assert one.oscillation.in_loop
    told = control_sentence(found)
    assert "fl_is swings at 2.2" in told
    assert "the loop swings" in told
    assert "no gain mends" not in told


@pytest.mark.parametrize("damping", [0.0, 0.0003, -0.004, 0.004])
def test_damping_of_a_swing_that_goes_on(damping):
    """exp(-2 pi f d t) for 60 s at 2 Hz beside a moving target; 0 where it hardly changes."""
    time = np.arange(3000) * 0.02
    rng, goal = np.random.default_rng(4), 3 * np.sin(2 * np.pi * 0.11 * time)
    swing = np.exp(-4 * np.pi * damping * (time - 30)) * np.sin(4 * np.pi * time)
    value = goal + 0.3 * swing + rng.normal(0, 0.002, 3000)
    run = run_of(goal, value, 0.5 * (goal - value))
    asked = FitSignals(run, ("fl_u", "fl_is", "fl_want"))
    found = Swings(asked).told(None)[0]
    expected = 0.0 if abs(damping) < 0.001 else damping
    assert found.damping_ratio.value == pytest.approx(expected, rel=0.15)


def test_a_swing_is_named_without_a_fit(tmp_path):
    """Where no controller is stated the refusal says which of the log's swings."""
    time, wanted, value, output = play(weave, even(30.0), dead=0.03)
    rows = [f"{1e3 * t:.2f},{a:.4f},{b:.4f},{c:.3f}"
            for t, a, b, c in zip(time, wanted, value, output, strict=True)]  # fmt: skip
    log = tmp_path / "steer.csv"
    log.write_text("ms,m1_want_turns,m1_is_turns,m1_u\n" + "\n".join(rows) + "\n")
    told = CliRunner().invoke(cli, ["control", str(log)])
    assert "--fit m1_u,m1_is_turns: it swings at 2.2" in str(told.exception)


def test_where_no_swing_is_seen_it_is_said_why():
    """A value that stands, and one of too few rows."""
    rows = play(weave, even(6.0), noise=0.002)[1:]
    found = control(run_of(*rows), controllers=[Controller()], fit=("fl_u", "fl_is"), curve=False)
    assert any("no swing of fl_is" in note for note in found.controllers[0].notes)


def test_each_look_at_a_swing_is_taken_once(monkeypatch):
    """Whoever asks for it, and with whatever fit."""
    looked = []
    for name in ("oscillation", "steady_swing"):
        monkeypatch.setattr(swings, name, lambda *rows, name=name: looked.append(name))
    time = np.arange(3000) * 0.02
    goal = 3 * np.sin(2 * np.pi * 0.11 * time)
    asked = FitSignals(run_of(goal, 0.9 * goal, 0.1 * goal), ("fl_u", "fl_is", "fl_want"))
    one = Swings(asked)
    assert one.rested is None
    assert one.told(None) == one.told(None)
    assert sorted(looked) == ["oscillation", "steady_swing"]


@pytest.mark.parametrize(
    ("value", "why"),
    [(np.sin(np.arange(30.0)), "30 rows are too few"), (np.full(3000, 2.0), "fl_is never changes")],
)
def test_of_what_stands_or_is_short_no_swing_is_told(value, why):
    """Said as such, and not that none was seen."""
    run = run_of(0 * value, value, np.cos(np.arange(len(value))))
    found, said = Swings(FitSignals(run, ("fl_u", "fl_is", "fl_want"))).told(None)
    assert found is None
    assert why in said


def valued(x):
    return SimpleNamespace(value=x)


@pytest.mark.parametrize(("plant", "share"), [("speed", 0.4), ("position", 0.04)])
def test_how_far_an_output_moves_the_fitted_mechanism_by_hand(plant, share):
    """At w = 10 / s with a lag of 0.1 s a gain of 2 is 2 / sqrt(2); of a position over w besides.

    An output of sqrt(2) to each side moves it by 2, or by 0.2, of 5 that are seen.
    """
    fit = SimpleNamespace(
        used=True, full_speed=valued(2.0), time_constant_ms=valued(100.0), plant=plant
    )
    line = SimpleNamespace(frequency_hz=valued(10 / (2 * math.pi)), output=2**0.5, amplitude=5.0)
    assert _driven(line, fit) == pytest.approx(share)
    assert _driven(line, None) is None
    assert _driven(line, SimpleNamespace(**{**vars(fit), "used": False})) is None


def test_two_looks_at_a_swing_are_one_by_their_frequencies():
    """2 Hz and 2.3 Hz are 14 % apart, in either order, 2 and 2.4 Hz 18 %."""
    two, near, far = (SimpleNamespace(frequency_hz=valued(hz)) for hz in (2.0, 2.3, 2.4))
    assert _same(two, near)
    assert _same(near, two)
    assert not _same(two, far)
    assert not _same(far, two)
    assert not _same(two, SimpleNamespace(frequency_hz=valued(None)))


@pytest.mark.parametrize(
    ("growth", "kept"), [(1.19, True), (1.25, False), (0.84, True), (0.8, False)]
)
def test_a_swing_keeps_its_height_within_a_fifth(growth, kept):
    """In 30 cycles two thirds of 60 half swings lie between the thirds that are compared."""
    line = SimpleNamespace(frequency_hz=valued(2.0), growth=growth, cycles=30, amplitude=1.0)
    fall = -math.log(growth) / 40
    expected = 0.0 if kept else fall / math.sqrt(math.pi**2 + fall**2)
    assert _of_line(line).damping_ratio.value == pytest.approx(expected)
