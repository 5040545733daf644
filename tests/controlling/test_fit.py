"""Fits of a mechanism to signals, against one that is played with known constants."""

import numpy as np
import pytest

import looptime
from looptime.controllers import Controller
from looptime.controlling.fit import fit_arrays, fit_plant, parse_fit
from looptime.controlling.law import Plant
from looptime.errors import NotEnoughError, UsageError
from tests.build_run import make_run


def drive(kind, tau, noise, seed, load=0.0, n=3000, lag=0.002):
    """Uneven loops with a random output; the value is read at each loop's start."""
    rng = np.random.default_rng(seed)
    hold = 0.02 * np.exp(0.15 * rng.standard_normal(n))
    start = np.cumsum(hold) - hold
    output = np.repeat(rng.uniform(-1, 1, n // 10 + 1), 10)[:n]
    # by small Euler steps, which share nothing with the exact solution under test
    x = v = 0.0
    seen, u = np.empty(n), 0.0
    for k in range(n):
        seen[k] = x if kind == "position" else v
        for part, width in ((u, lag), (output[k], hold[k] - lag)):
            steps = 20
            for _ in range(steps):
                dt = width / steps
                middle = v + (3.0 * (part - load) - v) * dt / 2 / tau
                x += middle * dt
                v += (3.0 * (part - load) - middle) * dt / tau
        u = output[k]
    return start, start + lag, output, seen + noise * rng.standard_normal(n)


@pytest.mark.parametrize("kind", ["position", "speed"])
@pytest.mark.parametrize("load", [0.0, 0.2])
def test_known_constants_are_found(kind, load):
    """Full speed 3 and 90 ms from a log without noise, a lift's weight or not."""
    when, at, output, seen = drive(kind, 0.09, 0.0, 1, load)
    found = fit_arrays(at, output, when, seen, kind)
    assert found.used
    assert found.full_speed.value == pytest.approx(3.0, rel=2e-3)
    assert found.time_constant_ms.value == pytest.approx(90.0, rel=5e-3)


def test_intervals_hold_what_they_promise():
    """Of 20 noisy logs the 95 % intervals miss the true constants in few."""
    missed = np.zeros(2)
    for seed in range(20):
        when, at, output, seen = drive("speed", 0.09, 0.2, 100 + seed, n=900)
        found = fit_arrays(at, output, when, seen, "speed")
        for k, (figure, true) in enumerate(((found.full_speed, 3.0), (found.time_constant_ms, 90))):
            missed[k] += not figure.low <= true <= figure.high
    assert missed.max() <= 6  # beyond 6 of 20 an interval of 95 % comes once in 30 000


def test_a_bad_fit_is_said_and_not_used():
    """A value that has nothing to do with the output, and one that goes against it."""
    when, at, output, seen = drive("speed", 0.09, 0.0, 3)
    noise = np.random.default_rng(1).standard_normal(len(seen))
    bad = fit_arrays(at, output, when, noise, "speed")
    assert not bad.used
    assert "not used" in bad.text
    assert not fit_arrays(at, output, when, -seen, "speed").used


@pytest.mark.parametrize("noise", [0.0, 0.004])
@pytest.mark.parametrize(("late", "told"), [(0.0, False), (0.05, True)])
def test_a_dead_time_is_found_beside_the_time_constant(noise, late, told):
    """Values that are 50 ms late, and some that are not: the time constant is 90 ms for both."""
    when, at, output, seen = drive("position", 0.09, noise, 5)
    found = fit_arrays(at, output, when + late, seen, "position")
    assert found.used
    assert found.time_constant_ms.value == pytest.approx(90.0, rel=0.02)
    assert not found.row_before
    assert (found.dead_time_ms is not None) == told
    if told:
        assert found.dead_time_ms.value == pytest.approx(50.0, rel=0.03)
        assert "dead time of 5" in found.text or "dead time of 49" in found.text


@pytest.mark.parametrize("kind", ["position", "speed"])
def test_rows_with_the_output_of_the_loop_before_are_told(kind):
    """Each row's output has been in use since the row before: 90 ms all the same."""
    when, _, output, seen = drive(kind, 0.09, 0.0005, 6, lag=0.0)
    found = fit_arrays(when[1:], output[:-1], when[1:], seen[1:], kind)
    assert found.row_before
    assert "that of the loop before" in found.text
    assert found.time_constant_ms.value == pytest.approx(90.0, rel=0.02)
    assert not fit_arrays(when, output, when, seen, kind).row_before


@pytest.mark.parametrize("late", [0, 2])
def test_the_way_from_reading_to_use_is_not_counted_twice(late):
    """Rows of one stamp, used 6 ms after the reading; values of two loops before are 40 ms late."""
    when, _, output, seen = drive("position", 0.09, 0.0, 8, lag=0.006, n=1500)
    seen = np.interp(when - 0.02 * late, when, seen)
    run = make_run(
        1e3 * np.diff(when), [("m.read", 1, 2), ("m.write", 6, 1)],
        signals={"u": output[:-1], "m": seen[:-1]},
    )  # fmt: skip
    one = Controller("mast", "m.read", "m.write", kp=1.0, plant="position")
    found = looptime.control(run, controllers=[one], fit=("u", "m"), curve=False).controllers[0]
    assert found.fit.dead_time_ms.value == pytest.approx(6 + 20 * late, abs=1.0)
    assert found.stated.sensor_delay_ms == pytest.approx(20 * late, abs=1.0)


def test_an_angle_that_begins_anew_is_one_angle():
    """Of a wheel that turns on and on, logged from 0 to 360 and from -180 to 180: 300 deg/s."""
    when, _, output, seen = drive("position", 0.09, 0.0, 7, load=-0.3, n=1500)
    turns = 100 * seen
    for angle in (turns % 360, (turns + 180) % 360 - 180):
        assert np.abs(np.diff(angle)).max() > 300  # it does begin anew
        run = make_run(1e3 * np.diff(when), signals={"u": output[:-1], "a": angle[:-1]})
        found = fit_plant(run, "u", "a", "position", wraps=360.0)
        assert found.used
        assert found.full_speed.value == pytest.approx(300.0, rel=5e-3)
        assert found.time_constant_ms.value == pytest.approx(90.0, rel=0.03)
        assert not fit_plant(run, "u", "a", "position").used


def test_signals_of_a_run():
    """The two signals are found by name; a missing one names the nearest."""
    rng = np.random.default_rng(2)
    output = np.repeat(rng.uniform(-1, 1, 60), 10)
    plant, x, v, seen = Plant("position", 0.8, 0.05), 0.0, 0.0, []
    for u in output:
        seen.append(x)
        x, v = plant.after(x, v, u, 0.02)
    run = make_run([20.0] * 600, signals={"mast_out": output, "mast_m": np.array(seen)})
    found = fit_plant(run, "mast_out", "mast_m", "position")
    assert found.full_speed.value == pytest.approx(0.8, rel=1e-6)
    assert found.time_constant_ms.value == pytest.approx(50.0, rel=1e-5)
    with pytest.raises(UsageError, match="nearest is 'mast_out'"):
        fit_plant(run, "mast_ou", "mast_m", "position")
    with pytest.raises(UsageError, match=r"no signal 'lift'; there are 'mast_out' and 'mast_m'"):
        fit_plant(run, "lift", "mast_m", "position")
    with pytest.raises(NotEnoughError, match="never changes"):
        fit_plant(make_run([20.0] * 600, signals={"o": [0.5] * 600, "m": seen}), "o", "m", "speed")
    with pytest.raises(NotEnoughError, match="a fit needs"):
        fit_plant(make_run([20.0] * 9, signals={"o": range(9), "m": range(9)}), "o", "m", "speed")
    with pytest.raises(UsageError, match="OUTPUT,MEASURED"):
        parse_fit("one")


@pytest.mark.parametrize("header", ["y", "x", "yaw_rad", "heading", "voltage", "arm [deg]"])
def test_the_name_in_the_header_is_always_a_signals_name(tmp_path, header):
    """Whatever a run calls a signal, its own header finds it, in the header's own unit."""
    rng = np.random.default_rng(2)
    plant, x, v, rows = Plant("position", 0.8, 0.05), 0.0, 0.0, []
    for k, u in enumerate(np.repeat(rng.uniform(-1, 1, 60), 10)):
        rows.append(f"{k * 20},{u:.9f},{x:.9f}\n")
        x, v = plant.after(x, v, float(f"{u:.9f}"), 0.02)
    log = tmp_path / "log.csv"
    log.write_text(f"time_ms,u,{header}\n{''.join(rows)}")
    found = fit_plant(looptime.read(log), "u", header, "position")
    assert found.full_speed.value == pytest.approx(0.8, rel=1e-4)


def test_a_log_as_a_recorder_writes_it(tmp_path):
    """Output after the write, value after the read, each a row of its own: 0.8 m/s and 50 ms."""
    rng = np.random.default_rng(4)
    plant, x, v, u, at, wanted = Plant("position", 0.8, 0.05), 0.0, 0.0, 0.0, 1000, 0.0
    lines = ["loop,thread,seq,name,start_us,duration_us,phase,mark,value"]
    for k in range(900):
        wanted = float(rng.uniform(-1, 1)) if k % 8 == 0 else wanted
        period = int(rng.integers(16000, 24000))
        used = at + 6000
        lines += [
            f"{k},main,{5 * k},mast.read,{at + 100},900,,,",
            f"{k},main,{5 * k + 1},mast_m,{at + 100},0,,signal,{x:.9f}",
            f"{k},main,{5 * k + 2},mast.write,{used - 500},500,,,",
            f"{k},main,{5 * k + 3},mast_output,{used},0,,signal,{wanted:.9f}",
            f"{k},main,{5 * k + 4},loop,{at},{period - 50},,,",
        ]
        # from this read to the write with the output before, then to the next read
        x, v = plant.after(x, v, u, 5900e-6)
        u = wanted
        x, v = plant.after(x, v, u, (period - 5900) * 1e-6)
        at += period
    log = tmp_path / "drive.csv"
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = fit_plant(looptime.read(log), "mast_output", "mast_m", "position")
    assert found.used
    assert found.full_speed.value == pytest.approx(0.8, rel=1e-4)
    assert found.time_constant_ms.value == pytest.approx(50.0, rel=1e-3)


@pytest.mark.parametrize("kind", ["position", "speed"])
@pytest.mark.parametrize("late", [0, 3])
def test_what_is_measured_is_told_by_which_fits(kind, late):
    """Without `plant` a speed is taken for a speed and a position for a position, late or not."""
    output = np.repeat(np.random.default_rng(8).uniform(-1, 1, 150), 10)
    x = v = 0.0
    seen = []
    for u in output:  # exact over steps of 20 ms: towards 3 u, and the way from the lack of speed
        seen.append(x if kind == "position" else v)
        fade = np.exp(-20 / 90)
        x += 3 * u * 0.02 + (v - 3 * u) * 0.09 * (1 - fade)
        v = 3 * u + (v - 3 * u) * fade
    seen = np.concatenate([np.zeros(late), seen[: len(seen) - late]])
    run = make_run([20.0] * 1500, signals={"out": output, "seen": seen})
    found = fit_plant(run, "out", "seen", None)
    assert (found.plant, found.output, found.measured) == (kind, "out", "seen")
    assert found.full_speed.value == pytest.approx(3.0, rel=0.02)
    assert f"taken as a {kind}" in found.text


@pytest.mark.parametrize("tau_ms", [1.0, 4.0, 40.0])
def test_a_time_constant_too_short_for_the_rows(tau_ms):
    """Rows each 100 ms: a time constant of 40 ms is told, a shorter one only bounded.

    One row after a step ``d`` of the output the value lacks ``K d exp(-0.1/tau)``; where the
    squares of that add up to 3.84 variances of the noise, a fit begins to see it. So the bound is
    ``0.2 / ln(K^2 sum(d^2) / (3.84 noise^2))``, with what starts of stretches take left aside.
    """
    rng = np.random.default_rng(4)
    output = np.repeat(rng.uniform(-1, 1, 120), 5)
    value, seen = 0.0, []
    for u in output:
        seen.append(value)
        value = 3.2 * u + (value - 3.2 * u) * np.exp(-100 / tau_ms)
    noisy = np.array(seen) + 0.02 * rng.standard_normal(len(seen))
    at = 0.1 * np.arange(len(output))
    found = fit_arrays(at, output, at, noisy, "speed")
    assert found.full_speed.value == pytest.approx(3.2, rel=0.005)
    time = found.time_constant_ms
    assert time.low <= tau_ms <= time.high
    if tau_ms == 40.0:
        assert time.value == pytest.approx(40.0, rel=0.05)
        return
    jumps = 3.2**2 * (np.diff(output) ** 2).sum()
    assert (time.value, time.low) == (0.0, 0.0)
    assert time.high == pytest.approx(200 / np.log(jumps / (3.84 * 0.02**2)), rel=0.15)


@pytest.mark.parametrize("coarse", [False, True])
def test_a_mechanism_that_stands_tells_nothing(coarse):
    """A wheel held at 90 deg by an output of 0.01 of its sensor's noise: nothing moved."""
    rng = np.random.default_rng(6)
    noise = 0.05 * rng.standard_normal(1400)
    if coarse:
        noise = 0.1 * (np.arange(1400) // 60 % 2)
    at = 0.02 * np.arange(1400)
    found = fit_arrays(at, -0.01 * noise, at, 90 + noise, "position")
    assert not found.used
    assert found.full_speed.value is None
    assert found.time_constant_ms.value is None
    assert found.text.startswith("nothing moved")


def hold_still(seed, noise=1.5, kp=0.05, ki=0.3):
    """A controller that holds a speed of 300 against its sensor's noise; known: 9, 150 ms."""
    rng = np.random.default_rng(seed)
    speed, total, rows = 300.0, 300.0 / 9.0, np.empty((1000, 2))
    for k in range(1000):
        seen = speed + noise * rng.standard_normal()
        total += ki * 0.02 * (300.0 - seen)
        output = kp * (300.0 - seen) + total
        rows[k] = output, seen
        for _ in range(20):
            speed += (9.0 * output - speed) * 0.001 / 0.15
    return np.arange(1000) * 0.02, rows[:, 0], rows[:, 1]


@pytest.mark.parametrize("kind", ["speed", "position"])
@pytest.mark.parametrize("gains", [{}, {"ki": 0.0}, {"noise": 6.0}, {"kp": 0.12}])
def test_a_level_is_not_explained_by_the_output_that_holds_it(kind, gains):
    """A set-point that stands still: what the value does about its mean is noise, so no fit."""
    for seed in range(3):
        at, output, seen = hold_still(seed, **gains)
        found = fit_arrays(at, output, at, seen, kind)
        assert not found.used
        assert "move the setpoint" in found.text
