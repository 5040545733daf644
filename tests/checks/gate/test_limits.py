"""Limits hold in every new run."""

import pytest

from looptime.checks.gate.gate import gate
from looptime.checks.gate.limits import limit_rows
from looptime.checks.recording.recording import Settings
from looptime.errors import UsageError
from tests.build_run import make_run
from tests.checks.build import recording
from tests.checks.compare.build import even_periods
from tests.checks.gate.build import SETTINGS, as_stored, new_run, row_named


def test_limits_hold_in_every_new_run():
    """The worst run counts; each limit is read off the values of the run itself."""
    runs = [new_run(1), new_run(2, scale=1.1)]
    values = [as_stored(run) for run in runs]
    p99 = [v.by_name["period", "p99"].value for v in values]
    between = sum(p99) / 2
    limits = {
        "period_p99_ms": between,
        "period_max_ms": 1000.0,
        "overrun_share": 0.5,
        "call": {"gyro.read": {"max_ms": 0.5, "mean_ms": 50.0}},
    }
    found = gate(runs, limits=limits, settings=SETTINGS)
    verdicts = {row.what: row.verdict for row in found.rows}
    assert verdicts == {
        "period p99": "fail",
        "period max": "pass",
        "overruns": "pass",
        "gyro.read max": "fail",
        "gyro.read mean": "pass",
    }
    assert row_named(found, "period p99", "limit").value == max(p99)
    assert gate(runs[:1], limits={"period_p99_ms": between}, settings=SETTINGS).exit_code == 0


def test_limits_that_cannot_be_checked():
    """A call that no run holds is told beside the others; overruns need a budget, p99 loops."""
    limits = {"period_p99_ms": 1000.0, "call": {"giro.read": {"p99_ms": 1.0}}}
    beside = gate([new_run()], limits=limits, settings=SETTINGS)
    assert (beside.exit_code, beside.judged) == (0, (1, 2))
    assert beside.sentence.startswith("PASS as far as judged (1 of 2 figures)")
    assert "no run holds giro.read, which [limits] names" in beside.sentence
    assert "'giro.read'; the nearest is 'gyro.read'" in beside.notes[0]
    alone = gate([new_run()], limits={"call": limits["call"]}, settings=SETTINGS)
    assert (alone.exit_code, alone.checked) == (3, ())
    assert "no run holds giro.read" in alone.sentence
    limits["period_p99_ms"] = 1.0
    assert gate([new_run()], limits=limits, settings=SETTINGS).exit_code == 1
    with pytest.raises(UsageError, match="needs a budget"):
        gate([new_run()], limits={"overrun_share": 0.1})
    short = gate([new_run(loops=170)], limits={"period_p99_ms": 9.0}, settings=SETTINGS)
    assert short.exit_code == 3
    assert "have no p99" in short.rows[0].note


def test_what_is_at_its_limit_is_within_it():
    """The longest period as the limit passes, a microsecond less fails."""
    new = recording(1, loops=400)
    stored = [as_stored(new)]
    longest = stored[0].max_ms["period"]
    (at,) = limit_rows(stored, {"period_max_ms": longest})
    (below,) = limit_rows(stored, {"period_max_ms": longest - 0.001})
    assert (at.verdict, below.verdict) == ("pass", "fail")


def test_a_figure_near_its_limit_is_marked():
    """Within 2.1 standard errors on either side another run of the same code may come out else."""
    stored = [as_stored(recording(1))]
    mean = stored[0].by_name["period", "mean"]
    for errors, marked in ((-1.5, True), (1.5, True), (-3.0, False), (3.0, False)):
        (row,) = limit_rows(stored, {"period_mean_ms": mean.value + errors * mean.se})
        assert ("near the limit" in row.note) is marked


@pytest.mark.parametrize(("loops", "verdict"), [(19, "can't tell"), (20, "pass")])
def test_twenty_loops_have_a_95th_percentile(loops, verdict):
    """With twenty loops one lies beyond it; with fewer none does."""
    stored = [as_stored(make_run([10.0] * loops), Settings(keep_warmup=True))]
    (row,) = limit_rows(stored, {"period_p95_ms": 11.0})
    assert row.verdict == verdict


def test_a_stored_count_leaves_out_what_just_keeps_the_budget():
    """Thirty periods of 10 ms and thirty of 11 ms, with a budget of 10 ms: thirty are over."""
    run = make_run([10.0, 11.0] * 30)
    stored = as_stored(run, Settings(budget_ms=10.0, keep_warmup=True))
    assert stored.get("overruns").value == 30


def test_a_limit_of_the_work_needs_to_see_the_wait():
    """Even periods without calls: what is worked in them nobody knows."""
    run = even_periods(recording(3, calls={}))
    (row,) = [r for r in gate([run], limits={"work_p99_ms": 30.0}, settings=SETTINGS).rows
              if r.check == "limit"]  # fmt: skip
    assert (row.verdict, row.value) == ("can't tell", None)
    assert "headroom unknown" in row.note
