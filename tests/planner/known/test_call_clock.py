"""Which clock each call keeps."""

import warnings

import numpy as np
import pytest

from looptime import read_log
from looptime.planner.known.call_clock import rhythms
from looptime.planner.known.stretches import spread_sample
from looptime.planner.known.timeline import chain
from looptime.planner.play.draft import known, sampled
from tests.build_run import make_run


def classed(run, **stated):
    """CallClock of each call by name; long turns under the name and an exclamation mark."""
    found = rhythms(run, chain(run), stated)
    return {r.name + ("!" if r.pulses else ""): r for r in found.calls}, found.pauses


def uneven(n, seed=0):
    """Work of about 8 ms."""
    return 8 * np.random.default_rng(seed).lognormal(0, 0.1, n)


def test_calls_of_every_loop_go_by_the_loop():
    """Made in every loop, or in every fourth."""
    work = uneven(400)
    run = make_run(
        work + 1, lambda j: [("work", 0, work[j])] + ([("slow", work[j], 1)] if j % 4 == 0 else [])
    )
    found, pauses = classed(run)
    assert found["work"].recurs == "loop"
    assert found["slow"].recurs == "loop"
    assert found["slow"].loops == 4
    assert len(pauses) == 0


def by_clock(rule, n=3000, every=70.0):
    """A message every 70 ms, looked at once a loop."""
    work, now, due, rows, periods = uneven(n), 0.0, 0.0, [], []
    for j in range(n):
        calls = [("work", 0, work[j])]
        took = work[j]
        if now + took >= due:
            due = now + took + every if rule == "since start" else due + every
            calls.append(("send", took, 2.0))
            took += 2.0
        rows.append(calls)
        periods.append(took)
        now += took
    return make_run(periods, lambda j: rows[j])


@pytest.mark.parametrize("rule", ["since start", "timetable"])
def test_the_clock_and_its_rule_are_seen(rule):
    """So long after the last time, or at fixed instants; and the interval."""
    found, _ = classed(by_clock(rule))
    assert found["send"].recurs == "time"
    assert found["send"].rule == rule
    assert found["send"].interval_ns == pytest.approx(70e6, rel=0.01)


def test_what_is_stated_outranks_what_is_seen():
    """The project file or the plan may say otherwise."""
    found, _ = classed(by_clock("since start"), send="loop")
    assert found["send"].recurs == "loop"
    assert found["send"].reason == "stated"


def test_a_device_is_recognised_at_any_moment_of_its_period():
    """A read in every third loop that waits for a device of 17 ms: its period to 0.1 %."""
    rng, now, rows, periods = np.random.default_rng(3), 0.0, [], []
    for j in range(1200):
        took = round(float(8 * rng.lognormal(0, 0.4)), 6)
        calls = [("work", 0, took)]
        if j % 3 == 0:
            ready = (np.floor((now + took) / 17) + 1) * 17 + 1.2 + 0.02 * rng.standard_normal()
            ready = round(float(ready), 6)
            calls.append(("range.read", took, ready - now - took))
            took = ready - now
        rows.append(calls)
        periods.append(took)
        now += took
    run = make_run(periods, lambda j: rows[j])
    found, _ = classed(run)
    assert found["range.read"].recurs == "next measurement"
    assert found["range.read"].interval_ns == pytest.approx(17e6, rel=1e-3)


def _read_after(work_ms, frame_ms):
    """A loop of work, a read that ends with the next frame, and 1 ms of writing [ms]."""
    rng, now, rows, periods = np.random.default_rng(4), 0.0, [], []
    for took in np.round(work_ms, 6).tolist():
        ready = now + took + 4
        if frame_ms:
            ready = (np.floor((now + took) / frame_ms) + 1) * frame_ms + 0.04 * rng.random()
        ready = round(float(ready), 6)
        rows.append([("work", 0, took), ("range.read", took, ready - now - took)])
        periods.append(ready - now + 1)
        now += periods[-1]
    return make_run(periods, lambda j: rows[j])


def test_a_device_is_recognised_where_the_loop_hardly_varies():
    """Work of 6 ms that varies by 2 %: the read ends with frames of 20 ms, all along."""
    work = 6 * np.random.default_rng(5).normal(1, 0.02, 800)
    found, _ = classed(_read_after(work, 20.0))
    assert found["range.read"].recurs == "next measurement"
    assert found["range.read"].interval_ns == pytest.approx(20e6, rel=1e-3)
    free, _ = classed(_read_after(work, 0.0))
    assert free["range.read"].recurs == "loop"


def test_calls_of_a_loop_that_keeps_a_tick_wait_for_no_device():
    """Paced at 50 Hz in a call of its own: reads end as much later as they take, from the tick."""
    rng = np.random.default_rng(6)
    took = rng.normal(3, 0.1, (800, 2))
    rows = [
        [("gyro.read", 0.02, a), ("enc.read", a + 0.03, b), ("sleep", a + b + 0.1, 19.9 - a - b)]
        for a, b in took.tolist()
    ]
    found, _ = classed(make_run([20.0] * 800, lambda j: rows[j], {"sleep": "pacing"}))
    assert [found[name].recurs for name in ("gyro.read", "enc.read")] == ["loop", "loop"]


def test_idle_loops_that_are_alike_show_no_device():
    """Half the loops idle for 1.7 ms, half work for 12: no tick of a device lies between."""
    rng = np.random.default_rng(6)
    idle = np.repeat([True, False, True], [1500, 2000, 500])
    took = np.where(idle, rng.normal(0.7, 0.06, 4000), rng.normal(7, 0.6, 4000))
    rest = np.where(idle, rng.normal(1, 0.02, 4000), rng.normal(5.5, 0.3, 4000))
    took, rest = np.round(took, 6), np.round(rest, 6)
    found, _ = classed(make_run(took + rest, lambda j: [("drive", 0, took[j])]))
    assert found["drive"].recurs == "loop"


def test_ends_that_are_mostly_at_one_instant_show_no_device(tmp_path):
    """Nine loops in ten take nothing by a clock of 1 ms: no period lies between them."""
    took = np.where(np.random.default_rng(1).random(600) < 0.9, 0, 10)
    rows = [f"{k},{t // 3},{t}\n" for k, t in enumerate(took.tolist())]
    (tmp_path / "log.csv").write_text("loop,drive_ms,total_ms\n" + "".join(rows), encoding="utf-8")
    (run,) = read_log(tmp_path / "log.csv", cache=False).runs
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found, _ = classed(run)
    assert found["drive"].recurs == "loop"


def test_pauses_are_told_from_one_bad_call():
    """Pauses strike calls by the time they take; a call with long turns of its own is no pause."""
    rng = np.random.default_rng(4)
    n = 3000
    struck = rng.random(n) < 0.01
    which = rng.choice(3, n, p=[0.2, 0.3, 0.5])
    parts = np.tile([2.0, 3.0, 5.0], (n, 1))
    parts[np.flatnonzero(struck), which[struck]] += 9.0
    rows = [[(f"c{i}", p[:i].sum(), p[i]) for i in range(3)] for p in parts]
    _, pauses = classed(make_run(parts.sum(axis=1), lambda j: rows[j]))
    assert len(pauses) == struck.sum()
    parts = np.tile([2.0, 3.0, 5.0], (n, 1))
    parts[struck, 0] += 9.0
    rows_one = [[(f"c{i}", p[:i].sum(), p[i]) for i in range(3)] for p in parts]
    _, pauses = classed(make_run(parts.sum(axis=1), lambda j: rows_one[j]))
    assert len(pauses) == 0


@pytest.mark.parametrize("every", [70.0, 3000.0])
def test_a_sample_keeps_the_interval_of_its_run(every):
    """Gaps across the joints of a sample are no gaps of the program: loops are left out there."""
    run = by_clock("since start", n=6000, every=every)
    whole = {r.name: r for r in known(run).rhythms.calls}["send"]
    part = {r.name: r for r in sampled(run, 2000).rhythms.calls}["send"]
    assert whole.interval_ns == pytest.approx(every * 1e6, rel=0.03)
    assert (part.interval_ns, part.rule) == (whole.interval_ns, whole.rule)


def test_gaps_across_a_joint_are_left_out():
    """In stretches of 100 loops of 8 ms, a message every 70 ms: no interval is shorter."""
    short = spread_sample(by_clock("since start", n=2300), 2000)
    assert np.diff(short.loop_columns.loop).max() > 1
    found, _ = classed(short)
    assert found["send"].recurs == "time"
    assert found["send"].interval_ns == pytest.approx(70e6, rel=0.01)


def test_a_call_of_many_long_turns_is_no_pause_though_others_have_a_few():
    """Of three calls of a third each, one is stretched 76 times, the others 2 and 3 times."""
    rng = np.random.default_rng(7)
    parts = rng.normal([3.0, 2.0, 3.5], 0.08, (1500, 3))
    parts[rng.choice(1500, 76, replace=False), 0] += 14
    parts[[100, 900], 1] += 5
    parts[[300, 600, 1200], 2] += 4
    parts = np.round(parts, 6)
    rows = [[(f"c{i}", p[:i].sum(), p[i]) for i in range(3)] for p in parts]
    _, pauses = classed(make_run(parts.sum(axis=1), lambda j: rows[j]))
    assert len(pauses) == 0


@pytest.mark.parametrize("seed", range(4))
def test_frames_that_come_late_by_a_status_page_tell_no_shorter_period(seed):
    """30 frames a second; every 15th loop is done 2 to 9 ms after the next frame and takes it late.

    The one after it comes on its tick again. Late ends lie anywhere, some near a half or a quarter.
    """
    rng = np.random.default_rng(seed)
    frame, now, rows, periods = 33.4, 0.0, [], []
    for j in range(2400):
        work = rng.normal(13.5, 1.5) + (rng.uniform(22, 29) if j % 15 == 14 else 0.0)
        done = round(now + work, 6)
        tick = frame * np.ceil(now / frame + 0.5)  # the frame after the one in hand
        ends = round(float(max(done + 0.1, tick + rng.normal(0, 0.1))), 6)
        rows.append([("work", 0, done - now), ("camera.frame", done - now, ends - done)])
        periods.append(ends - now)
        now = ends
    found, _ = classed(make_run(periods, lambda j: rows[j]))
    assert found["camera.frame"].recurs == "next measurement"
    assert found["camera.frame"].interval_ns == pytest.approx(33.4e6, rel=0.01)
