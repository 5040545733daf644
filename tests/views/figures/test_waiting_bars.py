"""The figure of waiting, held against what the analyser found."""

import pytest

from looptime.analysers.summary import summarise
from looptime.views.figures.costs_figures import waiting_bars
from tests.build_run import make_run
from tests.two_threads import Job, play


def test_bars_are_service_and_waiting_of_each_call():
    """Each call's two bars are together what it costs the loop; the title has the whole."""
    played = play(
        {
            "main": lambda rng: [Job("enc.1", 1.2, "a"), Job("enc.2", 1.2, "a"), Job("work", 3.0)],
            "gyro": lambda rng: [Job("gyro.read", 2.6, "a", gap_ms=rng.uniform(0.5, 3))],
        },
        500,
    )
    at = summarise(played.run(), keep_warmup=True)
    picture = waiting_bars(at)
    assert picture is not None
    service, waiting = picture.figure["data"]
    cost = {c.name: c.self_ms_per_loop for c in at.costs.calls}
    both = [a + b for a, b in zip(service["x"], waiting["x"], strict=True)]
    assert both == pytest.approx([cost[row[0]] for row in picture.rows], abs=1e-6)
    assert sum(waiting["x"]) == pytest.approx(sum(played.wait_ms().values()), rel=0.05)
    assert "gyro.read on other threads" in picture.title


def test_none_where_nobody_waits():
    """A log of one thread has no such figure."""
    run = make_run([10.0] * 60, [("enc.1", 0, 2)])
    assert waiting_bars(summarise(run, keep_warmup=True)) is None
