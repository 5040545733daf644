"""Pace: every figure against a count by hand."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.pace import distribution, overruns, pace
from tests.build_run import make_flat_run, make_run


def test_figures_of_a_few_periods():
    """Mean, quantiles, rates and overruns of five periods, worked out by hand."""
    found = pace(prepare(make_run([10, 10, 20, 40, 20])), budget_ms=19, serious_ms=30)
    assert found.period_ms.mean.value == 20
    assert found.period_ms.p50.value == 20  # third of 10 10 20 20 40
    assert found.period_ms.p90.value == 40  # ceil(4.5) = 5th
    assert (found.period_ms.min, found.period_ms.max) == (10, 40)
    assert found.period_ms.sd == pytest.approx(np.sqrt((100 + 100 + 400) / 4))
    assert found.rate_hz.by_time == pytest.approx(50)  # 5 loops in 100 ms
    assert found.rate_hz.by_loops == pytest.approx((100 + 100 + 50 + 25 + 50) / 5)
    over = found.overruns
    assert (over.count, over.share, over.time_share) == (3, 0.6, pytest.approx(0.8))
    assert over.excess_ms_per_s == pytest.approx((1 + 21 + 1) / 0.1)
    assert (over.serious_count, over.serious_share) == (1, 0.2)


def test_share_of_time_counts_a_long_loop_by_its_length():
    """Nine loops of 10 ms and one of 90 ms: more than half of the time is in the long one."""
    found = pace(prepare(make_run([10] * 9 + [90])))
    assert found.period_ms.p50.value == 10
    assert found.period_by_time_ms == {"p50": 10.0, "p90": 90.0, "p99": 90.0}


def test_interval_of_the_mean_covers_the_truth():
    """The 95 % interval of the mean holds the true mean in about 95 of 100 independent runs."""
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(200):
        mean = distribution(rng.normal(10, 1, 600)).mean
        inside += mean.low <= 10 <= mean.high
    assert 0.90 <= inside / 200 <= 0.99


def test_short_runs_have_no_interval():
    """Below 200 loops nothing is said of the uncertainty; p99 needs 3,000."""
    short, longer = distribution(np.full(199, 10.0)), distribution(np.linspace(9, 11, 1000))
    assert short.mean.low is None
    assert longer.mean.low is not None
    assert longer.p99.low is None


def test_work_and_headroom_of_a_paced_loop():
    """Work is the period minus the wait; headroom is the nominal period minus work."""
    work = [12, 14, 13, 12, 15, 13, 12, 14, 12, 13] * 5
    run = make_run(
        [20] * 50,
        lambda k: [("update", 0, work[k]), ("pace", work[k], 20 - work[k])],
        {"update": "compute", "pace": "pacing"},
    )
    basis = prepare(run)
    found = pace(basis)
    assert basis.judged == "work"
    assert basis.pacing.mode == "fixed rate"
    assert found.work_ms.mean.value == pytest.approx(13.0)
    assert found.work_ms.max == 15
    assert found.headroom_ms["p50"].value == pytest.approx(20 - 13)
    assert found.headroom_ms["p99"].value == pytest.approx(20 - 15)
    assert found.overruns.budget_ms == pytest.approx(22)  # nominal and a tenth
    assert found.overruns.count == 0


def test_what_work_surely_takes_is_no_headroom():
    """The interval of the headroom is that of the work, seen from the nominal period."""
    work = np.random.default_rng(5).uniform(10, 14, 4000)
    run = make_flat_run(
        np.full(4000, 20_000_000),
        {"update": work * 1e6, "pace": 20_000_000 - (work * 1e6).astype(np.int64)},
        {"update": "compute", "pace": "pacing"},
    )
    found = pace(prepare(run))
    for key, of in (("p50", found.work_ms.p50), ("p99", found.work_ms.p99)):
        head = found.headroom_ms[key]
        assert head.low < head.value < head.high
        assert (head.low, head.high) == pytest.approx((20 - of.high, 20 - of.low))


def test_work_is_unknown_where_the_wait_is_not_logged():
    """A fixed rate without its wait leaves work and headroom open."""
    rng = np.random.default_rng(3)
    work = rng.uniform(8, 16, 300)
    run = make_run([20] * 300, lambda k: [("update", 0, work[k])], {"update": "compute"})
    basis = prepare(run)
    found = pace(basis)
    assert basis.pacing.fixed_rate
    assert not basis.pacing.wait_known
    assert found.work_ms is None
    assert found.headroom_ms is None


def test_coarse_clock_is_dithered_for_intervals_only():
    """With whole milliseconds the shown median is a whole one, its interval is not a point."""
    rng = np.random.default_rng(4)
    x = np.round(rng.normal(10.3, 0.4, 4000))
    found = distribution(x, tick_ms=1.0)
    assert found.p50.value == 10
    assert 0 < found.p50.high - found.p50.low < 1


def test_no_budget_no_count():
    """Without a budget there is nothing to count."""
    found = overruns(np.array([10.0, 20.0]), None)
    assert found.count is None
    assert found.share is None


def test_a_period_of_just_the_budget_keeps_it():
    """Only what is longer is an overrun."""
    found = overruns(np.array([10.0, 20.0, 30.0]), 20.0, serious_ms=30.0)
    assert (found.count, found.serious_count) == (1, 0)
    assert found.excess_ms_per_s == pytest.approx(10 / 0.06)


@pytest.mark.parametrize(
    ("meta", "budget_ms", "words"),
    [
        ({"budget_ms": "20"}, 22.0, "a tenth above the 20 ms that the log states"),
        ({"Deadline": "25 ms"}, 25.0, "stated in the log"),
        ({"loop_budget_us": "30000"}, 30.0, "stated in the log"),
        ({"deadline": "25000"}, 25.0, "stated in the log"),  # us: no other unit is near a loop
        ({"deadline": "2500"}, 22.0, "nominal period and a tenth"),  # in no unit near one
        (
            {"deadline": "15 ms"},
            22.0,
            "the 15 ms of the log can't be counted: they are within the pace, and the wait is not "
            "logged",
        ),
        ({"budget_ms": "twenty"}, 22.0, "nominal period and a tenth"),
        ({}, 22.0, "nominal period and a tenth"),
    ],
)
def test_a_budget_that_the_log_states(meta, budget_ms, words):
    """A loop paced to 20 ms, whose every other period is longer than that by a few us."""
    period = np.full(400, 20_000_000) + np.tile([4000, -4000], 200)
    period[50::100] += 20_000_000
    run = replace(make_flat_run(period), meta=meta)
    found = pace(prepare(run)).overruns
    assert found.budget_ms == pytest.approx(budget_ms)
    assert found.budget_from == words
    assert found.count == 4
    assert pace(prepare(run), budget_ms=20).overruns.count == 200


def test_a_step_of_the_clock_is_no_overrun():
    """Even loops of 20 ms on a clock of 1/256 s seem to last 19.5 or 23.4 ms: none is late."""
    tick_ns = 3_906_250
    exact = 20_000_000 * np.arange(1001)
    run = make_flat_run(np.diff(exact // tick_ns * tick_ns))
    run = replace(run, clock=replace(run.clock, tick_ns=tick_ns))
    found = pace(prepare(run)).overruns
    assert (found.count, found.budget_from) == (0, "nominal period and a tick of the clock")
    assert found.budget_ms == pytest.approx(20 + 1.1 * tick_ns / 1e6, rel=0.003)
    assert prepare(run).pacing.late_count == 0


def test_what_the_rows_hold_is_told_where_nothing_tells_what_passes_after_them():
    """Work of 6 to 7 ms in its row and 8.3 ms after it, as even as a sleep and of no round length.

    Whether that is a wait nobody knows; the row's own length is in the log.
    """
    work = np.random.default_rng(3).uniform(6, 7, 600)
    rest = 8.3 + np.random.default_rng(4).normal(0, 0.01, 600)
    basis = prepare(make_run((work + rest).tolist(), [("read", 0, 2)], body_ms=work.tolist()))
    found = pace(basis)
    assert (basis.pacing.mode, basis.judged) == ("can't tell", "period")
    assert found.work_ms.p50.value == pytest.approx(float(np.median(work)), abs=0.01)
    assert found.work_ms.max == pytest.approx(work.max(), abs=1e-3)
    assert found.headroom_ms is None


@pytest.mark.parametrize(
    ("x", "tick", "off"), [([20.0, 25.0], 5.0, 5.0), ([16.0, 16.0], 1.0, 16.0)]
)
def test_quantiles_of_lengths_in_one_or_two_ticks_are_off_by_as_much(x, tick, off):
    """Loops of 22 ms on a clock of 5 ms, and loops of which the log holds one length."""
    run = make_run(x * 150, tick_ns=round(tick * 1e6))
    made = pace(prepare(run))
    assert made.untold_ms == off
    p99 = made.period_ms.p99
    assert (p99.low, p99.high) == (p99.value - off, p99.value + off)
