"""A reading that no longer comes, or a mechanism at its stop, beside an output that moves."""

import math

import numpy as np
import pytest

import looptime
from looptime.controlling.standing import standing
from looptime.errors import UsageError
from looptime.questions.asked import Asked
from looptime.questions.steering import control
from looptime.views.text.control_answer import control_sentence
from tests.build_run import make_run


def belt(n=1500, tau=0.15, full=1.8, seed=2):
    """Output in steps of 0.7 s and speed of a belt, in loops of 20 ms, solved exactly."""
    rng = np.random.default_rng(seed)
    out = np.repeat(rng.uniform(-0.9, 0.9, n // 35 + 1), 35)[:n]
    v, seen, kept = 0.0, [], math.exp(-0.02 / tau)
    for u in out:
        seen.append(v)
        v = full * u + (v - full * u) * kept
    return out, np.array(seen)


def fitted(out, seen, name="speed_m_s"):
    run = make_run([20.0] * len(out), signals={"out": out, name: seen})
    found = looptime.control(run, fit=("out", name))
    return found, found.controllers[0].fit


@pytest.mark.parametrize("at", [700, 1100])
def test_a_reading_that_stops_coming_is_said_with_its_instant(at):
    """From 20 ms times the row on; what is before gives the belt's own figures."""
    out, seen = belt()
    seen[at:] = seen[at]
    found, fit = fitted(out, seen)
    assert not fit.used
    assert fit.full_speed.value is None
    assert f"speed_m_s stands still at {seen[at]:.4g} from {0.02 * at:.1f} s on" in fit.text
    assert f"--to {0.02 * at:g}" in fit.text
    assert "while out moves" in control_sentence(found)
    before = fitted(out[:at], seen[:at])[1]
    assert before.used
    assert before.full_speed.value == pytest.approx(1.8, rel=1e-3)
    assert before.time_constant_ms.value == pytest.approx(150, rel=1e-2)


def test_a_reading_that_comes_back():
    """Both ends are named, and the parts to either side."""
    out, seen = belt()
    seen[500:800] = seen[500]
    text = fitted(out, seen)[1].text
    assert "from 10.0 s to 16.0 s, 20 % of its values" in text
    assert "--to 10 or --from 16" in text


def test_what_rests_as_it_should_is_not_said_to_stand():
    """An output that rests as long, or trembles a little, a slow sensor, and a value of zeros."""
    out, seen = belt()
    quiet, still = out.copy(), seen.copy()
    quiet[700:], still[700:] = 0.0, 0.0
    trembling = quiet.copy()
    trembling[700:] = 0.02 * np.sign(np.sin(np.arange(800)))
    slow = np.repeat(seen[::15], 15)[: len(seen)]
    for u, x in ((out, seen), (quiet, still), (trembling, still), (out, slow), (out, 0 * seen)):
        run = make_run([20.0] * len(u), signals={"out": u, "speed_m_s": x})
        assert standing(run, "out", "speed_m_s") is None


def test_the_unit_of_a_name_tells_what_is_measured_where_the_fit_can_not():
    """A value that wanders by itself fits neither kind: a unit decides, else it is asked."""
    out, _ = belt(600)
    wanders = np.cumsum(np.random.default_rng(3).normal(0, 0.05, len(out)))
    for name, kind in (("speed_m_s", "speed"), ("lift_m", "position")):
        fit = fitted(out, wanders, name)[1]
        assert (fit.plant, fit.used) == (kind, False)
        assert f"taken as a {kind} by its name's unit" in fit.text
    with pytest.raises(UsageError, match="say it with --plant"):
        fitted(out, wanders, "lift")


@pytest.mark.parametrize(
    "asked",
    [Asked(), Asked(phase="carry"), Asked(from_s=8.0), Asked(phase="carry", from_s=4.0),
     Asked(where=("phase!=standby",)), Asked(keep_warmup=True)],
)  # fmt: skip
def test_seconds_count_from_where_the_options_count(tmp_path, asked):
    """Loops of 20 ms after 5 s of clock, in the second run of a log: row 1100 begins at 22 s."""
    out, seen = belt()
    seen[1100:] = seen[1100]
    lines = ["time_s,phase,tray_ms,out,speed_m_s"]
    for begun, rows in ((900.0, 300), (5.0, len(out))):
        lines += [f"{begun + 0.02 * k:.3f},{'standby' if k < 300 else 'carry'},{3 + k % 3 / 10},"
                  f"{out[k]:.5f},{seen[k]:.6f}" for k in range(rows)]  # fmt: skip
    path = tmp_path / "belt.csv"
    path.write_text("\n".join(lines) + "\n")
    runs = asked.read(str(path)).runs
    assert len(runs) == 2
    text = control(asked, runs[1], fit="out,speed_m_s").controllers[0].fit.text
    assert text.endswith("not used; fit the rest of the run with --to 22")
    assert "from 22.0 s on" in text
    rest = control(asked.but(to_s=22.0), runs[1], fit="out,speed_m_s").controllers[0].fit
    assert rest.used
    assert rest.full_speed.value == pytest.approx(1.8, rel=1e-3)


def test_no_part_is_proposed_that_holds_hardly_anything():
    """The value moves in the first ten loops alone, or in the last ten."""
    out, seen = belt()
    early, late = seen.copy(), seen.copy()
    early[10:], late[:-10] = seen[10], seen[-10]
    for stuck in (early, late):
        run = make_run([20.0] * len(out), signals={"out": out, "speed_m_s": stuck})
        assert standing(run, "out", "speed_m_s").endswith("not used")


def test_without_signals_nothing_stands():
    """A run that holds calls alone."""
    assert standing(make_run([20.0] * 50), "out", "speed_m_s") is None
