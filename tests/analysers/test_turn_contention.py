"""What the loop waits for turns of another thread, as entries and as a sentence."""

import pytest

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
