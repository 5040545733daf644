"""Findings: each with support, in order of what acting would buy, in plain words."""

import numpy as np
import pytest

from looptime.findings import find, summarise
from looptime.questions import Asked, summary
from tests.build_run import make_flat_run, make_run
from tests.findings.build import even_run


def test_healthy_log_says_so():
    """An even log has one finding: that nothing stands out, with its rate."""
    (only,) = summarise(even_run()).findings
    assert (only.code, only.severity) == ("healthy", "fine")
    assert only.value == pytest.approx(100, rel=0.01)
    assert not only.moves


def test_warm_up_is_said_once():
    """A phase that holds none of the warm-up does not mention it."""
    t = np.arange(6000) * 0.01
    rng = np.random.default_rng(1)
    period = 10 * (1 + 0.3 * np.exp(-t / 1.5)) * np.exp(rng.normal(0, 0.04, 6000))
    run = make_run(period, phases=["unattended"] * 2500 + ["operator"] * 3500)
    operator, unattended = summary(Asked(), run)
    assert "warm_up" not in [f.code for f in operator.findings]
    assert "warm_up" in [f.code for f in unattended.findings]


def test_nothing_to_say_of_no_loops():
    """An empty run has no findings."""
    empty = summarise(make_run([]))
    assert find(empty) == ()


def test_late_loops_are_told_after_the_call_that_makes_them_late():
    """An arm that takes 1.5 ms at first, and 13.5 ms in the end, makes a loop of 15 ms late."""
    rng = np.random.default_rng(6)
    n = 2400
    arm = 1.5 + 12 * np.clip((np.arange(n) - 1200) / 1200, 0, 1) + rng.normal(0, 0.1, n)
    work = 7.4 + arm + rng.normal(0, 0.1, n)
    period = np.maximum(15.0, work)
    run = make_run(
        period,
        lambda k: [("belt", 0, work[k] - arm[k]), ("arm", work[k] - arm[k], arm[k]),
                   ("pace", work[k], period[k] - work[k])],
        {"belt": "other", "arm": "other", "pace": "pacing"},
    )  # fmt: skip
    first, *rest = [f for f in summarise(run).findings if f.severity in ("act", "look")]
    assert first.code in ("change_point", "drift")
    assert first.evidence.calls == ("arm",)
    assert "loop's work gets longer" in first.text
    assert first.value == pytest.approx(12, abs=1.5)
    assert {f.code for f in rest} & {"pacing_skips", "headroom"}


def led_by(**calls):
    """The first finding of a run of calls [ms], one row a loop, with 0.05 ms between them."""
    ns = {name: (1e6 * np.asarray(ms)).astype(np.int64) for name, ms in calls.items()}
    return summarise(make_flat_run(np.sum(list(ns.values()), axis=0) + 50_000, ns)).findings[0]


def test_growth_is_told_before_a_call_that_is_as_dear_in_every_loop():
    """Half of the loop is a read of 6 ms; the planner grows from 0.5 ms to 5 within 20 s."""
    rng = np.random.default_rng(8)
    n = 1600
    noise = np.exp(rng.normal(0, 0.05, (3, n)))
    grows = 0.5 + 4.5 * np.arange(n) / n
    first = led_by(gyro_read=6 * noise[0], route=grows * noise[1], belt=2.5 * noise[2])
    assert first.code in ("drift", "change_point")
    assert first.evidence.calls == ("route",)
    steady = led_by(gyro_read=6 * noise[0], route=3 * noise[1], belt=2.5 * noise[2])
    assert steady.code in ("blocking_call", "dear_call")


@pytest.mark.parametrize(("every", "leads"), [(20, "publish"), (400, "gyro_read")])
def test_what_makes_the_longest_loops_is_told_before_what_all_have(every, leads):
    """8 ms more in every 20th loop are why 1 in 100 takes 18 ms instead of 10; not so in 400."""
    rng = np.random.default_rng(9)
    n = 4000
    noise = np.exp(rng.normal(0, 0.05, (3, n)))
    publish = 0.1 * noise[1] + 8.0 * (np.arange(n) % every == 7)
    first = led_by(gyro_read=7 * noise[0], publish=publish, belt=2.5 * noise[2])
    assert first.evidence.calls == (leads,)


def preempted(rng, often, stall_ms, **calls):
    """Calls [ms] of which whichever runs is held up in so many loops, as often as it is long."""
    own = {name: np.array(ms, float) for name, ms in calls.items()}
    names, n = list(own), len(next(iter(own.values())))
    length = np.array([np.median(own[name]) for name in names])
    for k in np.flatnonzero(rng.random(n) < often).tolist():
        struck = names[rng.choice(len(names), p=length / length.sum())]
        own[struck][k] += stall_ms * rng.lognormal(0, 0.3)
    return own


def noisy(rng, *ms, n=1600):
    """Lengths of calls that scatter by a tenth around each of these [ms]."""
    return [level * np.exp(rng.normal(0, 0.1, n)) for level in ms]


@pytest.mark.parametrize("seed", range(3))
def test_stalls_of_no_known_cause_are_told_after_a_large_cause_that_is_known(seed):
    """2 % of the loops are held up for one loop's length; half of all is one call, or it grows."""
    rng = np.random.default_rng(seed)
    camera, drive, solve = noisy(rng, 5.0, 3.0, 1.6)
    held = preempted(rng, 0.02, 10, camera_read=camera, drive_write=drive, solve=solve)
    assert led_by(**held).evidence.calls[0] == "camera_read"
    grows = np.linspace(1.0, 5.0, len(camera))
    held = preempted(rng, 0.02, 10, gyro=camera * 0.4, solve=solve * grows, drive=drive)
    assert led_by(**held).code in ("drift", "change_point")


@pytest.mark.parametrize("seed", range(3))
def test_stalls_of_no_known_cause_are_told_first_where_they_cost_most(seed):
    """No call takes much more than the others, and stalls of 60 ms leave the robot unsteered."""
    rng = np.random.default_rng(seed)
    rows = noisy(rng, 2.6, 2.6, 2.4, 2.4)
    held = preempted(rng, 0.02, 60, **dict(zip(("gyro_read", "belt", "drive", "solve"), rows,
                                               strict=True)))  # fmt: skip
    assert led_by(**held).code in ("pauses", "everything_at_once")


@pytest.mark.parametrize("seed", range(3))
def test_a_steady_cost_is_noted_where_a_few_loops_are_late_by_stalls(seed):
    """4 ms of work in 10 ms; 2 loops of 100 are held up for 9 ms: the read makes none late.

    With 8 ms of work it leaves no time over, and is something to act upon.
    """
    rng = np.random.default_rng(seed)
    for scale, severities in ((1.0, {"note"}), (2.0, {"act", "look"})):
        read, drive, solve = (scale * x for x in noisy(rng, 1.8, 1.2, 0.9))
        held = preempted(rng, 0.02, 9, gyro_read=read, drive=drive, solve=solve)
        work = np.sum(list(held.values()), axis=0)
        wait = np.maximum(10.0 - work, 0.02)
        rows = {**held, "wait": wait}
        ns = {name: (1e6 * ms).astype(np.int64) for name, ms in rows.items()}
        kinds = {"gyro_read": "sensor read", "wait": "pacing"}
        made = summarise(make_flat_run(sum(ns.values()), ns, kinds))
        found = [f.severity for f in made.findings if f.evidence.calls == ("gyro_read",)
                 and f.code == "blocking_call"]  # fmt: skip
        assert found
        assert set(found) <= severities
