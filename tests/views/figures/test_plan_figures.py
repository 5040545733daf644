"""Figures of plans say what the planner found."""

import numpy as np
import pytest

from looptime.planner import Prediction, predict
from looptime.run import Run
from looptime.views.figures.picture import MOST_POINTS
from looptime.views.figures.plan_figures import (
    bus_use,
    call_costs,
    contributions,
    plan_basis,
    plan_verdict,
    predicted_histogram,
    reading_ages,
    sides_table,
)
from tests.build_run import make_run
from tests.views.build import points_in

_NAMES = {
    "gyro.read": {"kind": "sensor read", "bus": "port", "device": "gyro"},
    "mast.read": {"kind": "sensor read", "bus": "port", "device": "mast"},
    "drive.write": {"kind": "actuator write", "bus": "port", "device": "wheels"},
}


@pytest.fixture(scope="module")
def run() -> Run:
    """Loops of 10 ms with a read of 2 ms, one of 3 ms and a write of 1 ms."""
    rng = np.random.default_rng(7)
    periods = 10 + rng.gamma(2.0, 0.1, 600)
    calls = [("gyro.read", 1, 2), ("mast.read", 3.5, 3), ("drive.write", 7, 1)]
    return make_run(periods, calls, _NAMES)


@pytest.fixture(scope="module")
def plan(run: Run) -> Prediction:
    """The read of the mast in every second loop only."""
    return predict(run, ["every mast.read loops=2"], budget_ms=9.25, keep_warmup=True)


def test_predicted_histogram_counts_every_loop(run: Run, plan: Prediction) -> None:
    """Both histograms hold all loops: their shares add up to one."""
    made = predicted_histogram(run.loop_columns.period_ns / 1e6, plan)
    assert sum(row[2] for row in made.rows) == pytest.approx(1)
    assert sum(row[3] for row in made.rows) == pytest.approx(1)
    for trace in made.figure["data"]:
        assert sum(trace["y"]) == pytest.approx(100)
        assert sum(c[2] for c in trace["customdata"]) == 600
    assert points_in(made.figure) < MOST_POINTS


def test_predicted_histogram_by_time_weighs_by_length(run: Run, plan: Prediction) -> None:
    """Counted by time, the loops of half the shortened lengths hold their share of the time."""
    made = predicted_histogram(run.loop_columns.period_ns / 1e6, plan, "time")
    after = plan.run.loop_columns.period_ns / 1e6
    edge = made.rows[0][0]
    split = next(r for r in made.rows if r[0] > 8.5)[0]
    share = sum(row[3] for row in made.rows if edge <= row[0] < split)
    assert share == pytest.approx(float(after[after < split].sum() / after.sum()))


def test_verdict_says_the_planners_change(plan: Prediction) -> None:
    """Skipping 3 ms in every second loop is 1.5 ms less a loop, and the sentence says so."""
    assert plan.change_ms.value == pytest.approx(-1.5, abs=0.02)
    assert "faster" in plan_verdict(plan)
    assert "-1.50" in plan_verdict(plan)
    assert "600 loops" in plan_basis(plan)


def test_contributions_are_the_planners(plan: Prediction) -> None:
    """The bar of a change is its part of the change of the mean."""
    made = contributions(plan)
    assert made.figure["data"][0]["x"] == [pytest.approx(plan.changes[0].in_order_ms.value)]
    assert made.rows[0][0] == "every mast.read loops=2"


def test_reading_ages_before_and_after(plan: Prediction) -> None:
    """A reading that is taken in every second loop is older when it is used."""
    made = reading_ages(plan)
    assert made is not None
    row = next(r for r in made.rows if r[0] == "mast.read")
    heads = dict(zip(made.heads, row, strict=True))
    assert heads["mean before, ms"] == plan.baseline.age_at_first_use_ms["mast.read"]["mean"].value
    assert heads["mean after, ms"] == plan.predicted.age_at_first_use_ms["mast.read"]["mean"].value
    assert heads["mean after, ms"] > heads["mean before, ms"] + 3
    assert "mast.read gets older" in made.title


def test_bus_use_is_the_share_of_time(run: Run, plan: Prediction) -> None:
    """The bus is in use for 6 ms of each loop before, 4.5 ms after."""
    made = bus_use(plan)
    assert made is not None
    before, after = (trace["x"][0] for trace in made.figure["data"])
    assert before == pytest.approx(100 * 6 / (run.duration_s * 1e3 / 600))
    assert after == pytest.approx(100 * 4.5 / (plan.run.duration_s * 1e3 / 600), rel=0.01)


def test_tables_hold_the_planners_figures(plan: Prediction) -> None:
    """Sides and calls are those of the prediction, the call that changes most first."""
    heads, rows = sides_table(plan)
    assert heads == ("", "recorded", "predicted")
    assert [r[0] for r in rows][-2:] == ["loops over 9.25 ms, %", "time in loops over 9.25 ms, %"]
    _, calls = call_costs(plan)
    assert calls[0][0] == "mast.read"
    assert calls[0][3] == pytest.approx(3)
    assert calls[0][4] == pytest.approx(1.5)


def test_no_picture_where_there_is_nothing(run: Run) -> None:
    """Without reads and buses neither ages nor buses are drawn."""
    bare = make_run(run.loop_columns.period_ns[:100] / 1e6, [("work", 1, 4)])
    plan = predict(bare, ["scale work by=0.5"], keep_warmup=True)
    assert reading_ages(plan) is None
    assert bus_use(plan) is None


def test_a_change_that_buys_nothing_is_called_so(run: Run) -> None:
    """A change without effect is not said to do most."""
    idle = predict(run, ["scale mast.read by=1"], keep_warmup=True)
    assert contributions(idle).title == "None of these changes makes the loop shorter"
