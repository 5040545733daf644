"""Costs and waits of calls: bars add up to what the analysers found."""

import pytest

from looptime.analysers.summary import summarise
from looptime.schema import UNATTRIBUTED
from looptime.views.figures.costs_figures import (
    GROUPS,
    cost_bars,
    slow_against_typical,
    waiting_bars,
)
from tests.build_run import make_run
from tests.two_threads import Job, play
from tests.views.figures.build import summary


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


@pytest.mark.parametrize("by", GROUPS)
def test_costs_add_up_to_the_loop(by: str) -> None:
    """Bars with what no call covers add up to the mean period, shares to 1."""
    at = summary()
    made = cost_bars(at, by)
    assert sum(row[2] for row in made.rows) == pytest.approx(1280 / 120)
    assert sum(row[3] for row in made.rows) == pytest.approx(1)
    assert UNATTRIBUTED in [row[0] for row in made.rows]


def test_the_legend_names_the_kinds_that_are_drawn() -> None:
    """Each kind of a bar stands in the legend with its colour and pattern, and no other does."""
    made = cost_bars(summary())
    bars, *key = made.figure["data"]
    assert made.figure["layout"]["showlegend"]
    drawn = set(zip(bars["marker"]["color"], bars["marker"]["pattern"]["shape"], strict=True))
    named = {(t["marker"]["color"], t["marker"]["pattern"]["shape"]) for t in key}
    assert [t["name"] for t in key] == ["sensor read", "compute", UNATTRIBUTED]
    assert named == drawn
    assert not cost_bars(summary(), "bus").figure["layout"]["showlegend"]


def test_excess_names_the_planted_call() -> None:
    """Slow loops take 20 ms more, all of it in the read."""
    made = slow_against_typical(summary())
    assert made is not None
    assert made.rows[0][0] == "gyro.read"
    assert made.rows[0][1] == pytest.approx(20)
    assert slow_against_typical(summary(slow=False)) is None
