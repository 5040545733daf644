"""Readings that repeat, and the rhythm of threads."""

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.findings.priced import with_predictions
from looptime.planner import suggest
from tests.build_run import make_run
from tests.findings.build import codes


def sensor(hold_ms, seed=1, n=3000, moving=True):
    """Loops of 8 ms that read a range of a sensor with a new value every so many milliseconds."""
    rng = np.random.default_rng(seed)
    period = 8 * rng.lognormal(0, 0.03, n)
    start = np.cumsum(period) - period
    value = np.floor(start / hold_ms) * 1.7 % 311 if moving else np.floor(rng.random(n) * 1.2)
    return make_run(
        period,
        lambda j: [("range.read", 0, 2.0), ("drive.update", 2, 4.0)],
        signals={"range_m": value},
    )


def test_a_sensor_slower_than_the_loop():
    """New values every 40 ms in loops of 8 ms: 25 a second, four of five repeat; its call, 2 ms."""
    at = summarise(sensor(40.0))
    (found,) = [f for f in at.findings if f.code == "repeated_reading"]
    assert found.value == pytest.approx(25, rel=0.02)
    assert found.rests_on["share"] == pytest.approx(0.8, abs=0.01)
    assert found.evidence.calls == ("range.read",)
    assert "every 5 loops would spare 1.6 ms" in found.text


@pytest.mark.parametrize("run", [sensor(8.0), sensor(8.0, moving=False)])
def test_no_slow_sensor(run):
    """A value new in nearly every loop; one that changes at random and holds in between."""
    assert "repeated_reading" not in {f.code for f in summarise(run).findings}


def test_a_threads_own_rhythm():
    """A thread that rests 5 ms after turns of 1 to 3 ms: said with its rest and its turns."""
    rng = np.random.default_rng(2)
    rows, now = [], 0.2
    while now < 6990:
        busy = rng.uniform(1, 3)
        rows.append((now, busy))
        now += busy + 5
    by_loop = [[] for _ in range(700)]
    for start, busy in rows:
        loop = int(start // 10)
        by_loop[loop].append(("gyro.read", start - 10 * loop, busy, "reader"))
    at = summarise(make_run([10.0] * 700, lambda j: [("work", 0, 9), *by_loop[j]]))
    (found,) = [f for f in at.findings if f.code == "thread_rhythm"]
    assert found.value == pytest.approx(5, abs=0.01)
    assert "Thread reader begins gyro.read 5 ms after it last ended" in found.text


def test_the_order_is_the_same_with_predictions():
    """What the planner predicts adds words and figures, and moves no finding."""
    rng = np.random.default_rng(3)
    names = {f"drive.{k}.read": {"kind": "sensor read", "bus": "port"} for k in range(8)}
    took = rng.lognormal(0, 0.05, (400, 8))
    run = make_run(
        took.sum(axis=1) + np.where(np.arange(400) % 7 == 3, 6.0, 0.0) + 0.5,
        lambda j: (
            [(name, took[j, :k].sum(), took[j, k]) for k, name in enumerate(names)]
            + ([("send", took[j].sum(), 6.0)] if j % 7 == 3 else [])
        ),
        names,
    )
    plain = summarise(run).findings
    priced = with_predictions(plain, suggest(run))
    assert [f.code for f in priced] == [f.code for f in plain]
    assert any("predicted" in f.text for f in priced)


def test_a_robot_that_stands_still_is_not_stale():
    """A heading that does not change for a minute says nothing of the sensor."""
    heading = np.where(np.arange(3000) < 10, np.arange(3000), 10.0)
    rng = np.random.default_rng(1)
    run = make_run(10 * np.exp(rng.normal(0, 0.04, 3000)), signals={"heading_deg": heading})
    assert "stale_signal" not in codes(run)


@pytest.mark.parametrize(("heading", "told"), [
    (np.round(0.03 * np.arange(3000), 1), False),  # turns by a third of the last digit a loop
    (np.round(0.4 * (np.arange(3000) // 4), 1), True),  # new in every fourth loop
])  # fmt: skip
def test_a_heading_that_turns_by_less_than_its_last_digit_is_not_stale(heading, told):
    """What repeats because it is rounded says nothing of the sensor."""
    rng = np.random.default_rng(1)
    run = make_run(10 * np.exp(rng.normal(0, 0.04, 3000)), signals={"heading_deg": heading})
    assert ("stale_signal" in codes(run)) == told


def test_a_number_that_counts_is_not_rounded():
    """Frames by their number, a new one in every third loop: a third of the loops' rate."""
    frames = np.arange(3000) // 3
    run = make_run(np.full(3000, 10.0), signals={"frame": frames})
    assert "repeated_reading" in codes(run)


@pytest.mark.parametrize(("name", "level"), [("gyro.read", "look"), ("camera.grab", "note")])
def test_a_reading_that_another_thread_takes_too_rarely_is_told(name, level):
    """Every 35 ms, 4 ms long, beside loops of 10 ms: 4 to 39 ms old at their starts.

    A camera is meant to be slower than the loop, a heading is not.
    """
    extra = {}
    for at in np.arange(1.0, 9900.0, 35.1):
        extra.setdefault(int(at // 10), []).append((name, at % 10, 4.0, "imu"))
    kinds = {name: "sensor read", "drive.write": "actuator write"}
    run = make_run([10.0] * 1000, lambda k: [("drive.write", 3.0, 1.0), *extra.get(k, [])], kinds)
    (found,) = [f for f in summarise(run).findings if f.code == "stale_reading"]
    assert found.value == pytest.approx(21.5, abs=1.0)
    assert "when first used, if the loop takes thread imu's newest" in found.text
    assert found.severity == level
