"""Rows of cost figures: like calls together, the rest in one, and nothing lost."""

import numpy as np
import pytest

from looptime.questions.timing import summarise
from looptime.run import Run
from looptime.views.figures.call_figures import call_by_phase, call_histogram, call_over_run
from looptime.views.figures.cost_rows import alike, as_rows, with_rest
from looptime.views.figures.costs_figures import cost_bars, slow_against_typical
from tests.build_run import make_run

WHEELS = ("left_front", "left_rear", "right_front", "right_rear")


def wheels(loops: int = 200, others: int = 0) -> Run:
    """20 ms loops: four wheels of 2 ms, a gyro of 5, some others of 0.1, one stall of the gyro."""

    def calls(loop: int) -> list[tuple[str, float, float]]:
        made, at = [], 0.0
        took = [(f"drive.{w}.read", 2.0) for w in WHEELS]
        took += [("gyro.read", 45.0 if loop == 150 else 5.0)]
        took += [(f"{'abcdefghijklmnopqrst'[k]}.part", 0.1) for k in range(others)]
        for name, ms in took:
            made.append((name, at, ms))
            at += ms
        return made

    periods = [60.0 if k == 150 else 20 + 0.001 * (k % 5) for k in range(loops)]
    phases = ["disabled" if k < 20 else "driven" for k in range(loops)]
    kinds = {name: "sensor read" for name, _, _ in calls(0)}
    return make_run(periods, calls, kinds, phases=phases)


def test_like_calls_have_one_bar_and_can_be_opened() -> None:
    """Four wheels of 2 ms are one bar of 8 ms; opened they are four of 2 ms."""
    at = summarise(wheels())
    shut = {r.words: r.self_ms_per_loop for r in alike(at.costs.rows)}
    assert shut["4 x drive.*.read"] == pytest.approx(8.0)
    opened = {r.words: r.self_ms_per_loop for r in alike(at.costs.rows, ["drive.*.read"])}
    assert [opened[f"drive.{w}.read"] for w in WHEELS] == pytest.approx([2.0] * 4)
    assert "4 x drive.*.read" not in opened
    # 8 and 5.2 of 20.2 ms
    assert cost_bars(at).title.startswith("65 % of the period goes to 4 x drive.*.read, gyro.read")


@pytest.mark.parametrize("others", [0, 20])
def test_the_bars_add_up_to_the_loop(others: int) -> None:
    """With more calls than bars there is a bar of the rest; all make up the mean period."""
    run = wheels(others=others)
    at = summarise(run, keep_warmup=True)
    trace = cost_bars(at, opened=["drive.*.read"]).figure["data"][0]
    period = float(np.mean(run.loop_columns.period_ns)) / 1e6
    assert sum(trace["x"]) == pytest.approx(period)
    assert len(trace["x"]) <= 16
    excess = slow_against_typical(at)
    assert excess is not None
    assert at.costs.mean_excess_ms is not None
    assert sum(excess.figure["data"][0]["x"]) == pytest.approx(at.costs.mean_excess_ms)


def test_the_rest_says_how_many_it_stands_for() -> None:
    """Of 23 rows the last are one bar that counts them, and what no call covers stays."""
    at = summarise(wheels(others=20))
    rows = as_rows(at.costs.rows)
    kept = with_rest(rows, 6)
    left = len(rows) - 5
    assert [r.name for r in kept][-1] == f"{left} other calls"
    assert "unattributed" in [r.name for r in kept]
    assert sum(r.self_ms_per_loop for r in kept) == pytest.approx(
        sum(r.self_ms_per_loop for r in rows)
    )


def test_a_click_leads_on() -> None:
    """A bar of several opens them, that of one leads to its call, that of no call nowhere."""
    trace = cost_bars(summarise(wheels())).figure["data"][0]
    assert [each[2] for each in trace["customdata"]] == [
        "?open=drive.%2A.read", "", "/call?call=gyro.read"
    ]  # fmt: skip


def test_a_call_has_its_figures() -> None:
    """The gyro takes 5 ms in the middle; its longest, 45 ms, is where loop 150 is."""
    run = wheels()
    at = summarise(run, keep_warmup=True)
    call = next(c for c in at.costs.calls if c.name == "gyro.read")
    made = call_histogram(at, call)
    assert "takes 5.00 ms in the middle" in made.title
    assert sum(n for _, _, n in made.rows) == 200
    line = call_over_run(at, call).figure["data"][0]
    longest = int(np.argmax(line["y"]))
    assert (line["customdata"][longest], line["y"][longest]) == ([150], pytest.approx(45.0))
    _, rows = call_by_phase(run, call)
    assert {row[0]: row[1:3] for row in rows} == {"disabled": (20, 1.0), "driven": (180, 1.0)}


def test_a_call_has_the_same_quantiles_by_phase_as_in_all() -> None:
    """Of one phase's 150 calls of 1, 2, ... 150 ms: the 99 % is the 149th, on both."""
    run = make_run([200.0] * 150, lambda k: [("a", 0.0, k + 1.0)], phases=["run"] * 150)
    (call,) = summarise(run, keep_warmup=True).costs.calls
    _, rows = call_by_phase(run, call)
    assert rows[0][3:] == (call.p50_ms, call.p99_ms, call.max_ms) == (75.0, 149.0, 150.0)
