"""Reads that wait for their own device, seen by what little else varies, and what is none."""

import re

import numpy as np
import pytest

from looptime.analysers.own_beat import keeps_own_beat
from looptime.analysers.pacing import pacing
from looptime.findings import summarise
from looptime.planner.answer.predict import predict
from tests.build_run import make_run

NAMES = {"gyro.read": "sensor read", "depth.read": "sensor read", "wheels.write": "actuator write"}


def device_loop(waits, ticks=False, loops=1500, every=9):
    """A gyro of 1.5 ms, a depth read, wheels of 1.2, and in some loops a message of 1.3 ms.

    The device has measured 20 ms after it was last read, or at ticks of 20 ms; else a read takes
    16 ms of its own.
    """
    draw = np.random.default_rng(12)
    now, last, rows, periods = 0.0, -20.0, [], []
    for k in range(loops):
        gyro, wheels = 1.5 + 0.02 * draw.standard_normal(), 1.2 + 0.02 * draw.standard_normal()
        asks = now + gyro
        ready = (np.floor(asks / 20) + 1) * 20 if ticks else max(last + 20, asks + 0.3)
        end = asks + 16 + 0.02 * draw.standard_normal()
        if waits:
            end = ready + 0.02 * abs(draw.standard_normal())
        calls = [("gyro.read", 0, gyro), ("depth.read", gyro, end - asks)]
        calls.append(("wheels.write", end - now, wheels))
        period = end - now + wheels
        if k % every == every - 1:
            calls.append(("message.send", period, 1.3))
            period += 1.3
        rows.append([(name, round(at, 6), round(took, 6)) for name, at, took in calls])
        periods.append(round(period + 0.01, 6))
        now, last = now + period + 0.01, end
    return make_run(periods, lambda k: rows[k], NAMES)


@pytest.mark.parametrize("ticks", [False, True])
def test_one_rare_call_tells_that_a_read_waits_for_its_device(ticks):
    """All else varies by a thousandth of the loop; the message vanishes into the next read."""
    run = device_loop(True, ticks)
    found = pacing(run)
    assert (found.beat_call, found.mode) == ("depth.read", "fixed rate")
    assert found.nominal_ms == pytest.approx(20, rel=2e-3)
    first = summarise(run).findings[0].text
    assert "depth.read" in first
    assert "it sets the pace" in first


def test_the_middle_of_a_long_run_tells_as_much(monkeypatch):
    """What waits is looked for in 600 of 1,500 loops; the rate is that of all of them."""
    run = device_loop(True)
    whole = pacing(run)
    monkeypatch.setattr("looptime.analysers.beat_wait._ENOUGH", 600)
    assert pacing(run) == whole
    assert pacing(device_loop(False)).beat_call is None


def test_a_read_that_takes_what_it_takes_is_no_device_s_beat():
    """The message makes its loop longer by all that it takes."""
    found = pacing(device_loop(False))
    assert (found.beat_call, found.mode) == (None, "free-running")


@pytest.mark.parametrize("ticks", [False, True])
def test_nothing_but_the_read_is_gained_where_its_device_sets_the_pace(ticks):
    """A gyro at a tenth of its time gains nothing; the read in every fourth loop all but 2.7 ms.

    Three loops of 2.71 ms, and one up to 20 ms after the last read: of four loops 20 ms in all, on
    ticks and else. A message of 1.3 ms in every ninth loop is waited out.
    """
    run = device_loop(True, ticks)
    for change in ("scale gyro.read by=0.1", "every message.send loops=36"):
        told = predict(run, [change]).change_ms
        assert told.value == pytest.approx(0, abs=0.02)
    rarer = predict(run, ["every depth.read loops=4"]).predicted.period_ms["mean"]
    assert rarer.value == pytest.approx(5.0, rel=0.01)
    freed = predict(device_loop(False), ["scale gyro.read by=0.1"]).change_ms
    assert freed.value == pytest.approx(-1.35, abs=0.01)


def sample_loop(name, ready, loops=1500):
    """Work of 5.6 ms and 0.2 more or less, then a call until the device's next sample is there."""
    draw = np.random.default_rng(21)
    end, rows, periods = 0.0, [], []
    for k in range(loops):
        begin, work = end, 5.6 + 0.2 * draw.standard_normal()
        end = ready(k + 1, begin + work, draw)
        calls = [(part, n * work / 4, work / 4) for n, part in enumerate(("mix", "aim", "lift"))]
        calls.append((name, work, end - begin - work))
        end += 0.002
        rows.append([(one, round(at, 6), round(took, 6)) for one, at, took in calls])
        periods.append(round(end - begin, 6))
    return make_run(periods, lambda k: rows[k], {name: "sensor read"})


def scattered(k, now, draw):
    """Samples every 10 ms, 0.1 ms early or late: the turns differ by 0.14 from each other."""
    return max(10.0 * k + 0.1 * draw.standard_normal(), now + 0.05)


@pytest.mark.parametrize("name", ["imu.wait_sample", "gyro.read"])
def test_samples_that_come_unevenly_pace_the_loop_too(name):
    """Less work is waited out; where the loop means to wait for them nothing is wrong with that."""
    run = sample_loop(name, scattered)
    found = pacing(run)
    assert (found.beat_call, found.nominal_ms) == (name, pytest.approx(10, rel=2e-3))
    first, *rest = summarise(run).findings
    if name == "gyro.read":
        assert (first.code, first.severity) == ("blocking_call", "look")  # it may be meant
        assert "it sets the pace" in first.text
        assert not any(f.severity == "act" for f in rest)
    else:
        assert first.code == "healthy"
        assert any("every 10 ms: that paces the loop" in f.text for f in rest)
        (left,) = [m for f in rest if (m := re.search(r"The wait takes ([\d.]+) ms", f.text))]
        assert float(left[1]) == pytest.approx(4.4, abs=0.02)
    assert predict(run, ["scale lift by=0.2"]).change_ms.value == pytest.approx(0, abs=0.02)


def test_a_read_that_scatters_by_itself_is_no_device_s_beat():
    """It takes 4.4 ms, 0.1 more or less, after work that scatters by twice as much."""
    run = sample_loop("imu.wait_sample", lambda k, now, draw: now + 4.4 + 0.1 * draw.normal())
    assert pacing(run).beat_call is None
    assert summarise(run).findings[0].code != "healthy"


def test_a_tick_elsewhere_makes_no_call_end_evenly():
    """Paced to 20 ms, and each loop's read ends as much later as it took: no device's beat."""
    took = np.random.default_rng(3).normal(9, 0.1, 600)
    assert not keeps_own_beat(took, 20.0 * np.arange(600) + took)
    assert keeps_own_beat(took, 20.0 * np.arange(600))


def test_few_turns_and_steps_of_the_clock_tell_nothing():
    """One long loop that a read made up for is an accident; so is what the clock cuts off."""
    work = np.full(400, 3.0)
    work[200] += 5
    assert not keeps_own_beat(10 - work, 10.0 * np.arange(400))
    cut = np.random.default_rng(4).integers(0, 2, 400) * 0.1
    assert not keeps_own_beat(7 - cut, 10.0 * np.arange(400), cut=0.04)


@pytest.mark.parametrize(
    ("kind", "mode"),
    [("device", "fixed rate"), ("own work", "free-running"), ("in turns", "free-running")],
)
def test_an_even_loop_that_keeps_to_a_grid_may_wait_in_a_call(kind, mode):
    """A depth read ends 0 to 0.02 ms after each 20 ms, or takes 16 ms of its own, or 0.05 more.

    The gyro and the wheels take 4 ms to within 5 us, too little for the read to make up for.
    """
    draw = np.random.default_rng(5)
    loops, now, rows, periods = 1000, 0.0, [], []
    for k in range(loops):
        gyro, wheels = 2 + 0.003 * draw.standard_normal(), 2 + 0.003 * draw.standard_normal()
        took = 16 + 0.005 * draw.standard_normal() + (0.05 * (k % 2) if kind == "in turns" else 0)
        if kind == "device":
            took = 20 * (k + 1) - 2 + draw.uniform(0, 0.02) - now - gyro
        calls = (("gyro.read", 0, gyro), ("depth.read", gyro, took),
                 ("wheels.write", gyro + took, wheels))  # fmt: skip
        rows.append([(name, round(at, 6), round(length, 6)) for name, at, length in calls])
        periods.append(round(gyro + took + wheels + 1e-5, 6))
        now += gyro + took + wheels
    made = summarise(make_run(periods, lambda k: rows[k], NAMES))
    assert made.pacing.mode == mode
    untold = [f.text for f in made.findings if f.code == "work_unknown"]
    assert bool(untold) == (kind == "device")
    assert all("too even to tell which" in text for text in untold)
