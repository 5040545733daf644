"""No finding contradicts arithmetic: each check by itself, and all findings over many logs."""

import re

import numpy as np
import pytest
from hypothesis import given, settings

import looptime
from looptime.errors import LooptimeError
from looptime.findings import summarise
from looptime.findings.finding import Finding
from looptime.findings.referee import allowed, objections
from looptime.questions import Asked, summary
from looptime.samples import folder
from tests.benchmarks.recurring import CASES, planted
from tests.benchmarks.scenarios import SCENARIOS
from tests.build_run import make_flat_run
from tests.findings.test_sample_logs import LOGS
from tests.properties.test_damage import damage, damaged


@pytest.mark.parametrize(
    ("fine", "broken"),
    [
        ({"count": 38, "possible": 38}, {"count": 107, "possible": 38}),
        ({"count": 5, "of": 5}, {"count": 6, "of": 5}),
        ({"part_ms": 3.0, "whole_ms": 20.0}, {"part_ms": 21.0, "whole_ms": 20.0}),
        ({"saving_ms": 3.0, "part_ms": 3.0}, {"saving_ms": 3.1, "part_ms": 3.0}),
        ({"gain_ms": 3.0, "mean_ms": 20.0}, {"gain_ms": 23.0, "mean_ms": 20.0}),
        ({"usual_ms": 1.0, "largest_ms": 1.0}, {"usual_ms": 2.0, "largest_ms": 1.0}),
        ({"seconds": 9.0, "duration_s": 10.0}, {"seconds": 11.0, "duration_s": 10.0}),
        ({"hold": 9, "of": 10}, {"hold": 11, "of": 10}),
        ({"fresh_hz": 30.0, "loop_hz": 50.0}, {"fresh_hz": 60.0, "loop_hz": 50.0}),
        ({"low": 1.0, "high": 2.0}, {"low": 2.0, "high": 1.0}),
        ({"share": 1.0}, {"share": 1.1}),
        ({"time_share": 0.0}, {"time_share": -0.1}),
        ({"explained_share": 0.97}, {"explained_share": 0.3}),
        ({"share": 0.1, "count": 10, "of": 100}, {"share": 0.2, "count": 10, "of": 100}),
        ({"share": 0.1, "part_ms": 2.0, "whole_ms": 20.0},
         {"share": 0.2, "part_ms": 2.0, "whole_ms": 20.0}),
        ({"count": 29, "every_s": 5.8, "duration_s": 164}, {"count": 29, "every_s": 17.3,
                                                             "duration_s": 164}),
        ({"before": 10.0, "after": 12.0, "change": 2.0}, {"before": 10.0, "after": 12.0,
                                                          "change": -2.0}),
    ],
)  # fmt: skip
def test_quantities_are_held_against_each_other(fine, broken):
    """What holds passes, and what does not is stopped."""
    assert objections(Finding("a", "look", "A.", rests_on=fine)) == ()
    assert len(objections(Finding("a", "look", "A.", rests_on=broken))) == 1
    assert allowed([Finding("a", "look", "A.", rests_on=broken)]) == []


@pytest.mark.parametrize(
    ("text", "borne_out", "not_so"),
    [
        ("The loop runs evenly.", {"even": 1.0}, {"even": 0.0}),
        ("Hardly any headroom.", {"pace_shown": 1.0}, {"pace_shown": 0.0}),
        ("A late loop loses its slot.", {"slot_share": 0.9}, {"slot_share": 0.1}),
        ("It is counted from now.", {"slower_by": 800.0}, {"slower_by": -800.0}),
        ("Time outside every call.", {"calls_logged": 3.0}, {"calls_logged": 1.0}),
    ],
)
def test_words_are_borne_out(text, borne_out, not_so):
    """A claim stands only with the quantity that shows it; without any it does not."""
    assert objections(Finding("a", "look", text, rests_on=borne_out)) == ()
    for rests_on in (not_so, {"count": 1.0}):
        assert len(objections(Finding("a", "look", text, rests_on=rests_on))) == 1


def test_a_finding_that_rests_on_nothing_is_not_shown():
    """No quantity, no finding; one that is not known counts as none."""
    assert objections(Finding("a", "look", "A.")) == ("rests on no quantity",)
    assert objections(Finding("a", "look", "A.", rests_on={"count": None}))


def check(at):
    """Arithmetic done anew from the run itself, not from what the findings say they rest on."""
    period = at.run.loop_columns.period_ns / 1e6
    for r in (*at.recurrence.found, *at.recurrence.threads):
        assert r.count <= r.possible
        if r.mechanism in ("since start", "since end", "timetable"):
            joints = int((np.diff(at.run.loop_columns.loop) != 1).sum())
            assert r.count <= period.sum() / (0.99 * r.could_be[0].low) + 2 + joints, r
    for f in at.findings:
        assert f.rests_on, f
        if "of the loop" in f.text:
            assert all(float(p) <= 100 for p in re.findall(r"([\d.]+) % of the loop", f.text)), f
        if "runs evenly" in f.text:
            low, middle, high = np.quantile(period, [0.05, 0.5, 0.95])
            assert high - low <= 0.26 * middle + at.run.clock.tick_ns / 1e6
            assert period.max() <= 5.01 * middle
        if "loses its slot" in f.text:
            turns = period / at.pacing.nominal_ms
            late = turns[turns > 1.5]
            assert np.mean(np.abs(late - np.round(late)) <= 0.1) >= 0.5
        if "counted from now" in f.text:
            assert np.median(period) > at.pacing.nominal_ms * (1 - 1e-3)
        if "headroom" in f.text or f.code == "rate_off":
            assert at.pacing.fixed_rate
        if "outside every call" in f.text or "by no call" in f.text:
            on_loop = at.run.call_columns.thread == at.run.loop_thread
            assert len(np.unique(at.run.call_columns.name[on_loop])) >= 2
        if f.code == "overruns":
            assert f.rests_on["count"] == (period > at.pace.overruns.budget_ms).sum()


@pytest.mark.parametrize("case", CASES[::3], ids=lambda c: f"{c.rule} {c.value:g} {c.base:g}")
def test_findings_of_planted_rules(case):
    """Runs with a rule planted."""
    check(summarise(planted(np.random.default_rng(8), case, 30.0)))


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: s.name)
def test_findings_of_planted_causes(scenario):
    """Runs with a cause planted."""
    check(summarise(scenario.make(np.random.default_rng(9))))


@pytest.mark.parametrize("name", LOGS)
def test_findings_of_sample_logs(name):
    """The logs that come with the program, phase by phase."""
    for run in looptime.read_log(folder() / f"{name}.csv.gz").runs:
        for at in summary(Asked(), run):
            check(at)


def written(n=400):
    """A log of calls with telemetry on a timetable, timeouts, pauses and idle stretches."""
    rng = np.random.default_rng(3)
    rows, now, due = ["loop,name,start_us,duration_us"], 0, 100_000
    for k in range(n):
        at = now
        for name, usual in (("gyro.read", 1800), ("drive.write", 4200)):
            took = int(usual * rng.lognormal(0, 0.1)) + (30_000 if rng.random() < 0.01 else 0)
            rows.append(f"{k},{name},{at},{took}")
            at += took + 20
        if at >= due:
            rows.append(f"{k},telemetry.send,{at},5000")
            at, due = at + 5000, due + 100_000
        now = max(at, now + 10_000)
    return "\n".join(rows).encode() + b"\n"


@settings(max_examples=25)
@given(damage)
def test_findings_of_damaged_logs(tmp_path_factory, blows):
    """Whatever happened to a log, what is said of it holds in arithmetic."""
    path = tmp_path_factory.mktemp("log") / "log.csv"
    path.write_bytes(damaged(written(), blows))
    try:
        log = looptime.read_log(path, cache=False)
    except LooptimeError:
        return
    for run in log.runs:
        check(summarise(run))


@pytest.mark.parametrize("n", [1, 3, 40, 200])
@pytest.mark.parametrize("tick", [1, 1_000_000, 16_000_000])
def test_findings_of_short_and_coarse_logs(n, tick):
    """Few loops, and clocks that step by a millisecond or by sixteen."""
    period = np.random.default_rng(n).normal(20e6, 4e6, n)
    stamps = np.round(np.append(0, np.cumsum(period)) / tick).astype(np.int64) * tick
    check(summarise(make_flat_run(np.diff(stamps), {"a": np.diff(stamps) // 3}, tick_ns=tick)))
