"""What the loop waits for turns of another thread, as entries and as a sentence."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.contention import ResultWait
from looptime.analysers.turn_contention import _over
from looptime.findings import summarise
from looptime.project import Project
from tests.build_run import make_run

KINDS = {"arm.read": "sensor read", "arm.write": "actuator write", "detect": "compute"}


def turns(loops=120, kinds=KINDS):
    """Loops of 40 ms; a thread computes from 0 to 12 ms in every other one.

    There a read of 1 ms from 2 ms on is back at 3 and waits a turn of 5 ms; a write of 1 ms from 10
    on is back at 11 and waits 1 ms, for the end of the computing: 6 ms in every other loop.
    """
    return make_run(
        [40] * loops,
        lambda k: [
            *([("detect", 0, 12, "vision")] if k % 2 else []),
            ("arm.read", 2, 6 if k % 2 else 1 + k % 3 / 100),
            ("arm.write", 10, 2 if k % 2 else 1 + k % 3 / 100),
            ("pose", 20, 2),
        ],
        kinds,
    )


@pytest.mark.parametrize(
    ("project", "source", "said"),
    [(None, "timing", "likely"), (Project(threads="take turns"), "project and timing", "turns")],
)
def test_who_waits_for_whom(project, source, said):
    """3 ms a loop, 2.5 of them of the read; likely, or surely where threads are said to do so."""
    at = summarise(turns(), project=project)
    (entry,) = at.contention.found
    assert (entry.calls, entry.thread) == (("arm.read", "arm.write"), "vision")
    assert (entry.partners, entry.lock, entry.source) == (("detect",), "interpreter", source)
    assert entry.wait_ms_per_loop.value == pytest.approx(3, abs=0.02)
    assert entry.by_call[0].wait_ms_per_loop.value == pytest.approx(2.5, abs=0.02)
    assert entry.service_ms_per_loop.value == pytest.approx(2, abs=0.03)
    assert entry.turn_ms == pytest.approx(5, abs=0.02)
    first = at.findings[0]
    assert (first.code, said in first.text) == ("thread_wait", True)
    assert "detect on thread vision" in first.text


def test_threads_that_compute_at_once_wait_for_no_turn():
    """What is stated is believed."""
    at = summarise(turns(), project=Project(threads="at once"))
    assert not any(e.lock == "interpreter" for e in at.contention.found)


def beside(longer, services, seed=1):
    """Loops in half of which a thread computes beside all calls: those take `longer` of theirs."""
    rng = np.random.default_rng(seed)

    def calls(_):
        busy, at, made = rng.random() < 0.5, 0.5, []
        for name, usual in services:
            took = usual * (1 + 0.01 * rng.standard_normal())
            took = longer(took) if busy else took
            made.append((name, at, took))
            at += took + 0.2 + 2 * rng.random()
        return [*([("detect", 0.2, 39 + 3 * rng.random(), "vision")] if busy else []), *made]

    return make_run([50] * 200, calls, KINDS)


ALIKE = (("arm.read", 2.0), ("arm.write", 2.0), ("pose.read", 2.1))
UNLIKE = (("arm.read", 2.0), ("pose.read", 1.0), ("arm.write", 0.6))
OFTEN = (("arm.read", 2.0),) * 4 + (("arm.write", 0.8),)


def waits_for_turns(run):
    found = summarise(run).contention.found
    return sum(e.wait_ms_per_loop.value for e in found if e.lock == "interpreter")


@pytest.mark.parametrize("services", [ALIKE, UNLIKE, OFTEN])
@pytest.mark.parametrize("share", [1.15, 1.5, 2.0, 3.0])
def test_calls_that_all_run_slower_wait_for_no_turn(services, share):
    """A slower processor, cache or memory lengthens each by the same share of its length."""
    assert waits_for_turns(beside(lambda took: share * took, services)) == 0


@pytest.mark.parametrize("services", [UNLIKE, OFTEN])
def test_turns_lengthen_short_calls_as_much_as_long_ones(services):
    """Each call waits 3 ms in about half of the loops."""
    run = beside(lambda took: took + 3, services)
    busy = np.isin([call.name for call in run.names], ["detect"]).argmax()
    count = np.count_nonzero(run.call_columns.name == busy)
    said = waits_for_turns(run)
    assert said == pytest.approx(3 * len(services) * count / len(run), rel=0.02)


def test_a_thread_that_nothing_waits_for_has_no_entry():
    """It computes for 5 ms of each loop when the loop calls nothing."""
    run = turns()
    beside = make_run(
        [40] * 120,
        lambda k: [
            *([("detect", 0, 12, "vision")] if k % 2 else []),
            ("arm.read", 2, 6 if k % 2 else 1 + k % 3 / 100),
            ("arm.write", 10, 2 if k % 2 else 1 + k % 3 / 100),
            ("pose", 20, 2),
            ("map", 30, 5, "mapper"),
        ],
        {**KINDS, "map": "compute"},
    )
    for one in (run, beside):
        assert [e.thread for e in summarise(one).contention.found] == ["vision"]


def test_a_wait_for_a_result_is_over_with_the_turn_of_the_same_call():
    """The call of the thread that computes, and neither another of it nor the same elsewhere."""
    entries = summarise(turns()).contention.found
    ends = ResultWait("arm.read", "vision", "detect", 0.5, 2.5, 5.0)
    assert _over(entries, ends)
    assert not _over(entries, replace(ends, thread="mapper"))
    assert not _over(entries, replace(ends, partner="store"))
