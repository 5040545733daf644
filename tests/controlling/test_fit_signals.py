"""Signals of a fit, against a wheel whose angle is known to go on."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from looptime.cli import cli
from looptime.controllers import Controller
from looptime.controlling import control
from looptime.controlling.fit_signals import fit_signals
from looptime.errors import UsageError
from tests.build_run import make_run


def wheel(seed=1, n=3000, full=1.5, tau=0.08, gain=3.0):
    """Goal, angle and output of a steered wheel in turns, by the shorter way to each goal."""
    rng, x, v, goal, rows = np.random.default_rng(seed), 0.0, 0.0, 0.0, []
    for k in range(n):
        goal = rng.uniform(-0.5, 0.5) if k % 60 == 0 else goal
        error = (goal - x + 0.5) % 1 - 0.5
        out = float(np.clip(gain * error, -1, 1))
        rows.append((goal, x, out))
        for _ in range(20):
            v += (full * out - v) * 0.001 / tau
            x += v * 0.001
    return np.array(rows).T


@pytest.mark.parametrize(("unit", "turn"), [("turns", 1.0), ("deg", 360.0), ("counts", 4096.0)])
@pytest.mark.parametrize("begin", [0.0, 0.5])
def test_an_angle_that_jumps_is_fitted_as_one_that_goes_on(unit, turn, begin):
    """Without a word from the user: 1.5 turns/s and 80 ms, said that the jumps are undone."""
    goal, angle, out = wheel()
    logged = np.floor(((angle + begin) % 1 - begin) * turn * 1e4) / 1e4
    assert np.abs(np.diff(logged)).max() > 0.9 * turn
    named = {"fl_u": out, f"fl_is_{unit}": logged, f"fl_want_{unit}": (goal * turn) % turn}
    run = make_run([20.0] * len(out), signals=named)
    found = control(run, controllers=[Controller()], fit=("fl_u", f"fl_is_{unit}"), curve=False)
    fit = found.controllers[0].fit
    assert fit.used
    assert fit.wraps == pytest.approx(turn)
    assert fit.full_speed.value == pytest.approx(1.5 * turn, rel=0.03)
    assert fit.text.startswith("jumps of ")


def test_the_error_is_the_shorter_way_round():
    """Target 350 and angle 10 deg are 20 apart, whatever either begins anew at."""
    goal, angle, out = wheel()
    true = (goal - angle + 0.5) % 1 - 0.5
    for begin, aim in ((0.0, 0.5), (0.5, 0.0)):
        named = {"u": out, "a": (360 * angle + 360 * begin) % 360 - 360 * begin,
                 "goal": (360 * goal + 360 * aim) % 360 - 360 * aim}  # fmt: skip
        made = fit_signals(make_run([20.0] * len(out), signals=named), ("u", "a"))
        error = made.run.signals.values["goal"] - made.run.signals.values["a"]
        clear = np.abs(true) < 0.49
        assert error[clear] == pytest.approx(360 * true[clear], abs=1e-6)


def test_a_target_alone_that_begins_anew():
    """The encoder goes on beyond a turn, the target does not: the error has no jump."""
    way = np.cumsum(np.full(2000, 2.0))
    named = {"u": np.ones(2000), "a": way - 5.0, "goal": way % 360}
    made = fit_signals(make_run([20.0] * 2000, signals=named), ("u", "a", "goal"))
    assert np.ptp(made.run.signals.values["goal"] - made.run.signals.values["a"]) < 1e-6
    assert made.wraps is None


def test_a_speed_is_no_angle_and_stays():
    """One that is said to be a speed keeps its steps."""
    saw = (0.01 * np.arange(1000)) % 1
    run = make_run([20.0] * 1000, signals={"u": np.ones(1000), "v": saw})
    assert fit_signals(run, ("u", "v"), kind="speed").wraps is None


def test_where_no_turn_is_plain_the_next_step_is_named():
    """A wheel that turns nearly half way from row to row."""
    rng = np.random.default_rng(4)
    out = np.repeat(rng.uniform(-1, 1, 100), 10)
    angle = np.cumsum(out * 0.45) % 1
    run = make_run([20.0] * 1000, signals={"u": out, "a": angle})
    try:
        found = control(run, controllers=[Controller()], fit=("u", "a"), curve=False)
        said = found.controllers[0].fit.text
    except UsageError as error:
        said = str(error)
    assert "--wraps" in said


def test_a_name_of_the_log_is_a_name_throughout(tmp_path):
    """`heading` is known by another name inside: its limit and its target are seen all the same."""
    goal, angle, out = wheel(full=0.8, gain=6.0)
    columns = zip(360 * goal, 360 * ((angle + 0.5) % 1 - 0.5), out, strict=True)
    rows = [f"{20 * k},{g:.5f},{a:.5f},{u:.4f}" for k, (g, a, u) in enumerate(columns)]
    log = tmp_path / "hold.csv"
    log.write_text("t_ms,heading_sp,heading,heading_out\n" + "\n".join(rows) + "\n")
    told = CliRunner().invoke(cli, ["control", str(log), "--json", "--fit", "heading_out,heading"])
    one = json.loads(told.output)["controllers"][0]
    assert one["fit"]["wraps"] == 360
    assert one["at_limit"]["target"] == "heading_sp"
    assert one["at_limit"]["short"] < 180
