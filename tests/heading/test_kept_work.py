"""What another pace leaves as it is: closed forms of loops that wait, and of others."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.errors import NotEnoughError
from looptime.heading import Labels, sampling_from_run, study
from looptime.heading.setup import Setup, Tolerance
from tests.build_run import make_flat_run, make_run

KINDS = {"imu.read": "sensor read", "arm.read": "sensor read", "wheels.write": "actuator write",
         "sleep": "pacing", "plan": "compute"}  # fmt: skip
LABELS = Labels("imu.read", use_call="wheels.write")
W = 100.0  # deg/s
N = 800


def loops(*calls, period=None, seed=1):
    """Loops of calls of so many ms, which vary by a hundredth; what is left of the period waits."""
    rng = np.random.default_rng(seed)
    made = {name: (ms * 1e6 * (1 + 0.01 * rng.standard_normal(N))).astype(np.int64)
            for name, ms in calls if ms is not None}  # fmt: skip
    work = np.sum(list(made.values()), axis=0)
    whole = work if period is None else np.full(N, int(period * 1e6))
    every = {name: whole - work if ms is None else made[name] for name, ms in calls}
    return make_flat_run(whole, every, KINDS)


READ_FIRST = (("imu.read", 2.0), ("arm.read", 3.0), ("plan", 1.0), ("wheels.write", 3.0))


def asked(run, **more):
    return study(run, motion=f"steady:{W:g}", setup=Setup(LABELS), **more)


def mean_at(found, rate, pattern="even"):
    """Mean error at the last rate of the curve up to `rate` [deg], and that rate."""
    point = [p for p in found.curve if p.pattern == pattern and p.rate_hz <= rate * 1.0001][-1]
    return np.degrees(point.stale.mean.value), point.rate_hz


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("pattern", ["even", "log shape"])
def test_the_work_of_a_loop_that_waits_stays(logged, pattern):
    """9 ms of work from reading to use in 20 ms: w (9 + T/2) at every pace, up to 111 a second."""
    calls = (*READ_FIRST, ("sleep", None)) if logged else READ_FIRST
    found = asked(loops(*calls, period=20.0))
    fastest = found.curve[-1].rate_hz
    assert fastest == pytest.approx(1e3 / 9.0, rel=2e-3)
    for rate in (20, 50, 80, fastest):
        mean, there = mean_at(found, rate, pattern)
        assert mean == pytest.approx(W * (0.009 + 0.5 / there), rel=3e-3)


def test_a_wait_between_reading_and_use_shrinks_with_the_period():
    """Read for 2 ms, wait, write for 3 ms: in 10 ms instead of 20 the use is 10 ms after it."""
    run = loops(("imu.read", 2.0), ("sleep", None), ("wheels.write", 3.0), period=20.0)
    found = asked(run)
    assert found.age.latency_ms.value == pytest.approx(20.0, rel=1e-3)
    mean, rate = mean_at(found, 100)
    assert mean == pytest.approx(W * (1 / rate + 0.5 / rate), rel=3e-3)
    assert found.curve[-1].rate_hz == pytest.approx(200.0, rel=2e-3)


def test_a_loop_that_never_waits_shrinks_as_a_whole():
    """Its period is its work: faster means that its calls get shorter, as its latency does."""
    found = asked(loops(*READ_FIRST), tolerance=Tolerance(deg=0.6, judged="mean"))
    mean, rate = mean_at(found, 200)
    assert mean == pytest.approx(W * 1.5 / rate, rel=5e-3)
    assert found.curve[-1].rate_hz == 1000
    assert found.work.pace == "never waits"
    assert found.required["tolerance_deg"].fastest is None


def test_another_threads_reading_comes_as_old_at_every_pace():
    """Begun at 2 ms by a thread, picked up 18 ms later while the loop waits: no wait of the loop's.

    Its use ends 5 ms into the loop, all of them work; the wait is 15 ms of 20.
    """

    def calls(k):
        own = [("arm.read", 0.0, 4.0), ("wheels.write", 4.0, 1.0), ("sleep", 5.0, 15.0)]
        return [*own, ("imu.read", 2.0, 6.0, "reader")]

    run = make_run([20.0] * 60, calls, KINDS)
    at = sampling_from_run(run, LABELS, prepare(run))
    assert at.latency_s * 1e3 == pytest.approx([23.0] * 58)
    assert (at.work.read_share, at.work.start_share) == (1.0, 1.0)
    assert at.work.work_s == pytest.approx(0.005)
    assert at.work.least_s is None


def test_pace_alone_does_not_reach_it():
    """At 111 a second (9 + 4.5) ms make 1.35 deg; read just before its use (5 + 4.5), 0.95 deg."""
    run = loops(*READ_FIRST, ("sleep", None), period=20.0)
    for tolerance, missed in ((1.0, "work"), (1.4, "mean rate"), (2.0, None)):
        need = asked(run, tolerance=Tolerance(deg=tolerance, judged="mean"))
        need = need.required["tolerance_deg"]
        assert need.missed_by == missed
        assert need.fastest.rate_hz == pytest.approx(1e3 / 9.0, rel=2e-3)
        assert need.fastest.value == pytest.approx(1.35, rel=3e-3)
        assert need.fastest.least == pytest.approx(0.95, rel=3e-3)
        rate = need.by_pattern["even"].value
        if missed == "mean rate":  # w (9 ms + T/2) = 1.4 deg: T = 10 ms
            assert rate == pytest.approx(100.0, rel=5e-3)
        if missed == "work":
            assert rate is None


def test_a_reading_just_before_its_use_has_nothing_to_gain():
    """Nothing lies between the reading and its use."""
    run = loops(("arm.read", 3.0), ("imu.read", 2.0), ("wheels.write", 3.0), ("sleep", None),
                period=20.0)  # fmt: skip
    need = asked(run, tolerance=Tolerance(deg=0.5)).required["tolerance_deg"]
    assert (need.missed_by, need.fastest.least) == ("work", None)


def test_stalls_are_no_work_that_each_loop_does():
    """One loop in fifty takes 60 ms more: the others set how fast the pace may be."""
    run = loops(*READ_FIRST, ("sleep", None), period=20.0)
    calls = {k: run.call_columns.duration_ns[run.call_columns.name == i]
             for i, k in enumerate(n.name for n in run.names)}  # fmt: skip
    late = np.arange(N) % 50 == 0
    calls["arm.read"] = calls["arm.read"] + 60_000_000 * late
    calls["sleep"] = np.where(late, 0, calls["sleep"])
    slow = make_flat_run(np.sum(list(calls.values()), axis=0), calls, KINDS)
    assert asked(slow).curve[-1].rate_hz == pytest.approx(1e3 / 9.0, rel=0.01)


def test_bare_periods_know_no_work():
    """Without calls nothing is known to be work: the curve goes on as before."""
    found = study(make_flat_run(np.full(500, 20_000_000)), motion="steady:100")
    assert found.work.work_s is None
    assert found.curve[-1].rate_hz == 1000
    with pytest.raises(NotEnoughError):
        study(make_flat_run(np.full(2, 20_000_000)), motion="steady:100")
