"""A recording's loops after the cut: the parts add up, the window holds, labels are kept."""

import numpy as np
import pytest

from looptime.checks.compare.explain import PACING_WAIT, _means
from looptime.checks.recording.facts import phase_shares
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, content_hash, record
from looptime.errors import LogError
from tests.build_run import make_run
from tests.checks.build import paced, recording


def _adds_up(series):
    total = series.unattributed_ns + sum(p.self_ns for p in series.parts if p.counts)
    return np.array_equal(total, series.judged_ns)


def test_parts_add_up_in_every_loop():
    """Free-running and paced, nested, on two threads, and running on into the next loop."""
    calls = [
        ("update", 0, 6),
        ("gyro.read", 1, 4),
        ("camera.read", 2, 3, "vision"),
        ("late.write", 7, 4),
    ]
    nested = make_run([10.0] * 300, lambda k: calls if k < 299 else calls[:3])
    for run in (nested, recording(1), paced(recording(1), 20.0)):
        series = record(run, Settings(keep_warmup=True)).series()
        assert _adds_up(series)
    threads = {p.name: (p.on_loop_thread, p.counts) for p in record(nested).series().parts}
    assert threads["camera.read"] == (False, False)
    assert threads["gyro.read"] == (True, True)
    waits = {p.name: p.counts for p in record(paced(recording(1), 20.0)).series().parts}
    assert waits["pace.sleep"] is False


def test_work_is_the_period_without_the_wait():
    """The work of a paced loop is that of the same loop unpaced, to the nanosecond."""
    plain = recording(1)
    keep = Settings(keep_warmup=True)
    series = record(paced(plain, 20.0), keep).series()
    assert series.facts.judged == "work"
    assert np.array_equal(series.work_ns, plain.loop_columns.period_ns)
    assert np.array_equal(series.judged_ns, series.work_ns)
    free = record(plain, keep).series()
    assert free.facts.judged == "period"
    assert np.array_equal(free.work_ns, free.period_ns)


def test_the_cut_is_the_warm_up_and_at_least_a_second():
    """A planted warm-up is cut; a steady run loses one second; all can be kept."""
    rng = np.random.default_rng(1)
    t = np.arange(3000) * 0.01
    warm = 10 * (1 + 0.3 * np.exp(-t / 1.0)) * rng.lognormal(0, 0.02, 3000)
    cut = record(make_run(warm)).cut_s
    assert 2.0 <= cut <= 8.0
    steady = record(make_run(10 * rng.lognormal(0, 0.02, 3000)))
    assert steady.cut_s == 1.0
    series = steady.series()
    assert series.facts.warmup_loops == pytest.approx(100, abs=3)
    kept = record(make_run(warm), Settings(keep_warmup=True)).series()
    assert (kept.facts.loops, kept.facts.warmup_loops) == (3000, 0)


def test_the_window_keeps_whole_loops_that_fit():
    """5 s of 10 ms loops after a cut of 2 s are the loops 200 to 699."""
    run = make_run([10.0] * 1000)
    series = record(run).series(2.0, 5.0)
    assert len(series.period_ns) == 500
    assert series.facts.duration_s == pytest.approx(5.0)
    assert record(run).left_s(2.0) == pytest.approx(8.0)


def test_labels_come_from_the_log_and_options_stand_in():
    """``#`` lines give robot, version, label and time; an option stands in for a label."""
    run = recording(
        1, robot="tray-carrier", code_version="1.4", label="a", recorded="2026-03-01 09:30",
        phase="transport",
    )  # fmt: skip
    facts = record(run, Settings(label="b")).series().facts
    assert (facts.robot, facts.version, facts.label) == ("tray-carrier", "1.4", "b")
    assert facts.time == "2026-03-01T09:30:00"
    assert facts.phases == (("transport", 1.0),)
    assert record(recording(1, time="long ago")).series().facts.time is None


def test_phases_are_counted_in_loops():
    """Shares of the loops that are judged, in name order."""
    run = make_run([10.0] * 400, phases=["transport"] * 300 + ["standby"] * 100)
    facts = record(run, Settings(keep_warmup=True)).series().facts
    assert facts.phases == (("standby", 0.25), ("transport", 0.75))


def test_nothing_left_is_one_line():
    """A run shorter than its cut, and one without loops."""
    with pytest.raises(LogError, match="record longer or use --keep-warmup"):
        record(make_run([10.0] * 90, source="a.csv")).series()
    with pytest.raises(LogError, match="holds no loops"):
        record(make_run([]))


def test_the_hash_is_of_what_was_recorded():
    """One nanosecond, one name or one phase more is another recording; a label is not."""
    run = recording(1, loops=50)
    assert content_hash(run) == content_hash(recording(1, loops=50, label="x", source="y"))
    others = [
        recording(2, loops=50),
        recording(1, loops=51),
        make_run([10.0] * 5),
        make_run([10.000001] * 5),
        make_run([10.0] * 5, phases=["a"] * 5),
        make_run([10.0] * 5, [("gyro.read", 1, 1)]),
        make_run([10.0] * 5, [("gyro.reads", 1, 1)]),
    ]
    assert len({content_hash(r) for r in [run, *others]}) == len(others) + 1


def test_one_name_on_two_other_threads():
    """A call of 1 ms on one thread and of 3 ms on another: each has its own time."""
    calls = [("update", 0, 6), ("read", 1, 1, "port"), ("read", 4, 3, "aux")]
    series = record(make_run([10.0] * 50, calls), Settings(keep_warmup=True)).series()
    own = {p.thread: p.self_ns.tolist() for p in series.parts if p.name == "read"}
    assert own == {"port": [1_000_000] * 50, "aux": [3_000_000] * 50}


def test_loops_without_a_phase_are_of_none():
    """Before the program says its phase the loops are of no phase, and the shares say so."""
    run = make_run([10.0] * 10, phases=[""] * 2 + ["standby"] * 3 + ["transport"] * 5)
    assert phase_shares(run) == (("standby", 0.3), ("transport", 0.5))


def test_the_wait_joins_work_and_period():
    """Calls, what they leave and the wait add up to the period of 20 ms to which the loop waits."""
    values = measure(record(paced(recording(1), 20.0), Settings(keep_warmup=True)).series())
    means = _means(values, "period")
    assert means[PACING_WAIT] > 10
    assert sum(means.values()) == pytest.approx(20.0)
