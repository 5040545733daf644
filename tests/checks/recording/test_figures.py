"""The figures of one run are those of its loops."""

import numpy as np
import pytest

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.stats.jackknife import jackknife
from tests.build_run import make_run
from tests.checks.build import paced, recording


def test_figures_are_those_of_the_loops():
    """Each figure and its error are the jackknife's on the same array; counts are plain counts."""
    series = record(recording(1), Settings(budget_ms=9.0)).series()
    found, x = measure(series), series.period_ns / 1e6
    expected = jackknife(x, ["mean", "median", "p95", "p99", "worst1"])
    for name, estimate in expected.items():
        value = found.get(name)
        assert (value.value, value.n) == (estimate.value, len(x))
        # the clock ticks in 1 ns: no dither
        assert value.judged == value.value
        assert value.se == estimate.se
    assert found.get("overruns").value == int((x > 9.0).sum())
    assert found.get("rate").value == pytest.approx(1e3 / x.mean(), rel=1e-12)
    assert found.max_ms["period"] == x.max()


def test_calls_by_hand():
    """A read of 2 ms in every loop and one of 5 ms in every tenth, nested in an update."""

    def calls(k):
        return [("update", 0, 9), ("gyro.read", 1, 2)] + (
            [("range.read", 3, 5)] if k % 10 == 0 else []
        )

    series = record(make_run([10.0] * 1000, calls), Settings(keep_warmup=True)).series()
    by = {c.name: c for c in measure(series).calls}
    assert by["gyro.read"].mean.value == pytest.approx(2.0, abs=1e-9)
    assert by["range.read"].mean.value == pytest.approx(0.5, abs=1e-9)
    assert by["range.read"].calls == 100
    assert by["range.read"].duration_p50_ms == 5.0
    assert by["update"].mean.value == pytest.approx(9 - 2 - 0.5, abs=1e-9)
    assert by["update"].duration_max_ms == 9.0
    assert by["unattributed"].total_ns == 1000 * 1_000_000
    assert sum(c.total_ns for c in by.values()) == 10_000_000_000


def test_a_coarse_clock_shows_ticks_and_judges_between_them():
    """Whole milliseconds: the median displayed is whole, the one judged is not."""
    rng = np.random.default_rng(1)
    run = make_run(np.round(rng.normal(10.2, 0.6, 3000)), tick_ns=1_000_000)
    median = measure(record(run).series()).get("median")
    assert median.value == 10.0
    assert median.judged == pytest.approx(10.2, abs=0.1)


def test_a_short_run_has_values_without_errors():
    """30 loops: values, no errors, not enough for any verdict."""
    found = measure(
        record(make_run([10.0] * 15 + [12.0] * 15), Settings(keep_warmup=True)).series()
    )
    mean = found.get("mean")
    assert (mean.value, mean.se, mean.enough) == (11.0, None, False)


def test_a_paced_loop_has_both_quantities():
    """Period and work are kept; what is judged is the work, the rate is the period's."""
    found = measure(record(paced(recording(1), 20.0), Settings(budget_ms=30.0)).series())
    assert found.get("mean").quantity == "work"
    assert found.get("mean", "period").value == pytest.approx(20.0, abs=0.01)
    assert found.get("rate").value == pytest.approx(50.0, abs=0.05)
    assert found.histograms["work", "", ""].count == found.facts.loops


def test_the_error_of_a_count_is_that_of_the_count():
    """Overruns are kept as a number of loops, and so is their error."""
    series = record(recording(1, stalls=0.02), Settings(budget_ms=11.0)).series()
    found = measure(series).by_name["period", "overruns"]
    share = jackknife(series.period_ns / 1e6, ["overruns"], 11.0)["overruns"]
    n = len(series.period_ns)
    assert found.value == pytest.approx(share.value * n)
    assert found.se == pytest.approx(share.se * n)
