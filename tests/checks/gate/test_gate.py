"""The gate passes what is within, fails what is beyond, and says when it cannot tell."""

import json
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from looptime.checks.compare.change import Tolerance
from looptime.checks.compare.sides import phases_alike, times_of
from looptime.checks.gate.gate import _other_pacing, choose_baseline, gate
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.recording import Settings
from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Season
from looptime.errors import LogError, UsageError
from tests.build_run import make_run
from tests.checks.build import CALLS, paced, recording
from tests.checks.gate.build import SETTINGS, as_stored, baseline_runs, new_run, row_named


def test_unchanged_code_passes_and_says_what_would_have_been_seen(baseline):
    """The verdict is never "no regression"."""
    found = gate([new_run()], baseline, settings=SETTINGS)
    assert (found.verdict, found.exit_code) == ("pass", 0)
    assert "would have been seen" in found.sentence
    assert "no regression" not in found.sentence.lower()
    assert row_named(found, "period mean").verdict == "pass"


@pytest.mark.parametrize(
    ("change", "rows"),
    [
        ({"scale": 1.06}, {"period mean", "period median", "period p95"}),
        ({"stalls": 0.03}, {"period p99", "period worst 1 % mean", "overruns"}),
        (
            {"calls": {**CALLS, "gyro.read": 1.2 * 1.3}},
            {"gyro.read mean", "gyro.read p99", "period mean"},
        ),
    ],
)
def test_planted_slow_downs_fail_where_they_were_planted(baseline, change, rows):
    """A slower loop, a longer tail and one slower call fail in their own rows."""
    found = gate([new_run(**change)], baseline, settings=SETTINGS)
    assert (found.verdict, found.exit_code) == ("fail", 1)
    failed = {row.what for row in found.failed}
    assert rows <= failed
    untouched = {"drive.motors.write mean", "mast.position.read p99"}
    assert not untouched & failed or change.get("scale")


def test_a_change_within_the_tolerance_passes(baseline):
    """Beyond the range but below either tolerance is named, and passes."""
    found = gate([new_run(scale=1.025)], baseline, settings=SETTINGS)
    assert found.verdict == "pass"
    assert "within the tolerance" in row_named(found, "period mean").note
    strict = gate([new_run(scale=1.025)], baseline, settings=SETTINGS, tolerance=Tolerance(1, 0.05))
    assert strict.verdict == "fail"
    absolute = Tolerance(1, 5.0)
    assert (
        gate([new_run(scale=1.2)], baseline, settings=SETTINGS, tolerance=absolute).exit_code == 0
    )


def test_a_noisy_baseline_cannot_tell_and_unsure_decides():
    """Scatter that hides a change above the tolerances is exit 3, or what is asked for."""
    noisy = baseline_runs(sd=0.05)
    new = [new_run(scale=1.02)]
    found = gate(new, noisy, settings=SETTINGS)
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    vague = [r.what for r in found.rows if r.decides and r.verdict == "can't tell"]
    assert vague[0] == "period mean"
    assert f"not enough evidence on {', '.join(vague)};" in found.sentence.replace(".", ";")
    assert gate(new, noisy, settings=SETTINGS, unsure="pass").exit_code == 0
    assert gate(new, noisy, settings=SETTINGS, unsure="fail").exit_code == 1


def test_a_loop_that_is_surely_not_slower_passes_against_any_baseline():
    """13 % faster: the interval's upper end, by Student's t of a new value, is far below 0."""
    noisy = baseline_runs(sd=0.05, seed=2)
    found = gate([new_run(scale=0.87)], noisy, settings=SETTINGS)
    assert (found.verdict, found.exit_code) == ("pass", 0)
    assert "period mean -1" in found.sentence
    row = row_named(found, "period mean")
    log = np.log([r.by_name["period", "mean"].judged for r in noisy])
    error = log.std(ddof=1) * np.sqrt(1 + 1 / len(log))
    upper = np.log(row.value) - log.mean() + stats.t.isf(0.05, len(log) - 1) * error
    assert row.most_percent == pytest.approx(100 * np.expm1(upper), abs=0.2)
    assert row.most_percent < 0 < row.seen_percent


def test_several_new_runs_see_smaller_changes(baseline):
    """Three new runs are judged together by the moderated test."""
    one = gate([new_run(1)], baseline, settings=SETTINGS)
    three = gate([new_run(s) for s in (1, 2, 3)], baseline, settings=SETTINGS)
    assert (
        row_named(three, "period mean").seen_percent
        < 0.8 * row_named(one, "period mean").seen_percent
    )
    slow = gate([new_run(s, scale=1.05) for s in (1, 2, 3)], baseline, settings=SETTINGS)
    assert slow.exit_code == 1


def test_too_few_baseline_runs_check_limits_only(baseline):
    """With four runs it says so; without limits either there is nothing to say."""
    limits = {"period_p99_ms": 9.5}
    found = gate([new_run()], baseline[:4], limits=limits, settings=SETTINGS)
    assert (found.exit_code, found.checked) == (0, ("limits",))
    assert "regression not checked (4 baseline runs of 5 that it needs)" in found.sentence
    for count, said in ((4, "are 4 baseline runs"), (1, "is 1 baseline run"), (0, "are no b")):
        told = gate([new_run()], baseline[:count], limits=limits, settings=SETTINGS).notes
        assert any(f"regression not checked: there {said}" in note for note in told)
    assert gate([new_run()], baseline[:4], settings=SETTINGS).exit_code == 3
    assert gate([new_run()], settings=SETTINGS).exit_code == 3


def test_unlike_runs_are_refused(baseline):
    """Another robot, other phases and another pacing are one line each."""
    with pytest.raises(UsageError, match="of robot 'spare'"):
        gate([recording(1, robot="spare")], baseline, settings=SETTINGS)
    with pytest.raises(UsageError, match="does not say its phases"):
        gate([new_run(phase="transport")], baseline, settings=SETTINGS)
    with pytest.raises(UsageError, match="paced as 'fixed rate"):
        gate([paced(new_run(), 20.0)], baseline, settings=SETTINGS)
    with pytest.raises(LogError, match="after the warm-up"):
        gate([new_run(loops=50)], baseline, settings=SETTINGS)
    with pytest.raises(UsageError, match="no new log"):
        gate([], baseline, settings=SETTINGS)


def test_paced_loops_are_judged_by_work():
    """A slow-down that fits the pace is invisible in the period and fails in the work."""
    factors = np.exp(np.random.default_rng(1).normal(0, 0.004, 8))
    old = [
        as_stored(paced(recording(100 + k, scale=f), 20.0), Settings(budget_ms=25.0))
        for k, f in enumerate(factors)
    ]
    found = gate([paced(recording(3, scale=1.1), 20.0)], old, settings=Settings(budget_ms=25.0))
    assert found.exit_code == 1
    assert "work mean" in {row.what for row in found.failed}
    assert row_named(found, "work mean").change_percent == pytest.approx(10, abs=2)
    assert not any(row.call == "pace.sleep" for row in found.rows)


def test_unlike_lengths_widen_the_limit(baseline):
    """A run a quarter as long gets a wider limit, and it is said."""
    short = gate([new_run(loops=1300)], baseline, settings=SETTINGS)
    tight = Tolerance(percent=0.0, ms=0.0)
    wide, narrow = (
        row_named(
            gate([new_run(loops=n)], baseline, settings=SETTINGS, tolerance=tight), "period mean"
        )
        for n in (1300, 4000)
    )
    assert wide.limit > narrow.limit
    assert any("unlike lengths" in note for note in short.notes)
    longer = gate([new_run(loops=9000)], baseline, settings=SETTINGS)
    assert longer.new[0].loops < 4200


def test_the_baseline_of_a_season_leaves_out_the_new_run(tmp_path):
    """Marked runs of the robot are taken, without the run that is checked."""
    season = Season(tmp_path / "season", create=True)
    runs = [new_run(s) for s in range(6)]
    add_runs(season, [*runs, recording(50, robot="spare")], SETTINGS)
    assert choose_baseline(season, [new_run(90)]) == []
    season.mark_baseline([e.name for e in season.entries()])
    assert len(choose_baseline(season, [new_run(90)])) == 6
    again = gate(runs[:1], choose_baseline(season, runs[:1]), settings=SETTINGS)
    assert len(again.baseline) == 5
    assert again.again == (
        "run-0.csv of the baseline is a copy of a new run: left out, as nothing is checked against"
        " itself"
    )
    five = [season.load(e.name, histograms=False).values for e in season.entries()][:5]
    short = gate(runs[:1], five, limits={"period_p99_ms": 1000.0}, settings=SETTINGS).sentence
    assert f"(4 baseline runs of 5 that it needs; {again.again})" in short
    assert again.again in gate(runs[:1], five, settings=SETTINGS).sentence
    assert (
        gate([new_run(90)], choose_baseline(season, [new_run(90)]), settings=SETTINGS).again == ""
    )
    assert len(choose_baseline(season, [new_run(90)], "robot=tray-carrier last=3")) == 3
    stranger = recording(91, robot="third")
    with pytest.raises(UsageError, match="same robot"):
        gate([stranger], choose_baseline(season, [stranger]), settings=SETTINGS)


def test_json_is_complete_and_strict(baseline):
    """The JSON holds the rows and nothing that JSON cannot say."""
    found = gate([new_run()], baseline, limits={"period_p99_ms": 9.5}, settings=SETTINGS)
    text = json.dumps(found.to_dict(), allow_nan=False)
    assert json.loads(text)["rows"][0]["verdict"] == "pass"
    assert json.loads(text)["exit_code"] == found.exit_code


@pytest.mark.parametrize(("hz", "refused"), [(50.4, False), (53.0, True), (50.0, False)])
def test_another_nominal_rate_is_another_pacing(hz, refused):
    """Two percent apart are the same rate, six are not."""
    one = Facts(pacing_mode="fixed rate, skips", nominal_hz=50.0)
    assert _other_pacing(one, Facts(pacing_mode="fixed rate", nominal_hz=hz)) is refused


def test_without_the_wait_no_gate_can_pass():
    """Even periods of a loop whose wait is not logged: they would hide whatever fits the budget."""
    rng = np.random.default_rng(3)
    work = rng.uniform(8, 16, (7, 2000))

    def even(k):
        wake = np.abs(rng.normal(0, 0.03, 2001))
        period = 20 + np.diff(wake)
        return make_run(period, lambda j: [("update", 0, work[k, j])], {"update": "compute"})

    old = [as_stored(even(k)) for k in range(6)]
    found = gate([even(6)], old, settings=SETTINGS)
    assert not found.new[0].work_known
    assert not [r for r in found.rows if r.decides and r.verdict != "pass"]
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert "headroom unknown" in found.sentence


@pytest.mark.parametrize("more", [0.5, 0.9])
def test_phases_are_alike_in_both_directions(more):
    """Half or nine tenths in transport, where 0.7 are: unlike, whichever side has more of it."""
    one = Facts(phases=(("standby", 0.1), ("transport", more)))
    other = Facts(phases=(("standby", 0.1), ("transport", 0.7)))
    assert not phases_alike(one, other)
    assert not phases_alike(other, one)
    near = Facts(phases=(("standby", 0.15), ("transport", 0.65)))
    assert phases_alike(other, near)
    assert phases_alike(near, other)


def test_runs_that_began_at_one_time_are_in_no_order():
    """Two logs with the same time cannot be put in order, nor can one without any."""
    first, second = (SimpleNamespace(facts=Facts(time=f"2026-03-0{k}")) for k in (1, 2))
    assert times_of([second, first]) == [
        datetime(2026, 3, day, tzinfo=UTC).timestamp() for day in (2, 1)
    ]
    assert times_of([first, second, first]) is None
    assert times_of([first, SimpleNamespace(facts=Facts())]) is None


def test_a_call_that_the_baseline_lacks_is_new_and_not_slower_by_nothing(baseline):
    """A new read of 2 ms in a loop of 8: it is told in ms, what got slower beside it in percent."""
    more = {**CALLS, "camera.read": 2.0}
    said = gate([recording(1, calls=more)], baseline, settings=SETTINGS).sentence
    assert "beyond the limit; new calls: camera.read (new, 2.00 ms a loop)." in said
    slower = {**more, "gyro.read": 2.4}
    said = gate([recording(1, calls=slower)], baseline, settings=SETTINGS).sentence
    assert "; new or slower calls: camera.read (new, 2.00 ms a loop), gyro.read (+" in said
