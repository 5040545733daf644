"""The gate passes what is within, fails what is beyond, and says when it cannot tell."""

import json
import math
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.checks.compare.change import Tolerance
from looptime.checks.compare.sides import phases_alike, times_of
from looptime.checks.gate.gate import _other_pacing, choose_baseline, gate
from looptime.checks.gate.limits import limit_rows
from looptime.checks.gate.regression import _prediction, _relative_variance
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.figures import Value, measure
from looptime.checks.recording.recording import Settings, record
from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Season
from looptime.errors import LogError, UsageError
from looptime.stats.prediction_limits import prediction_limit, screen_baseline
from tests.build_run import make_run
from tests.checks.build import CALLS, paced, recording

SETTINGS = Settings(budget_ms=11.0)


def _stored(run, settings=SETTINGS):
    return measure(record(run, settings).series())


def _baseline(count=10, sd=0.004, seed=1, **more):
    """Runs whose speed scatters from run to run as a real robot's does."""
    factors = np.exp(np.random.default_rng(seed).normal(0, sd, count))
    return [
        _stored(recording(100 + k, scale=f, robot="tray-carrier", **more))
        for k, f in enumerate(factors)
    ]


@pytest.fixture(scope="module")
def baseline():
    return _baseline()


def _new(seed=7, **more):
    return recording(seed, robot="tray-carrier", **more)


def _row(result, what, check="regression"):
    return next(r for r in result.rows if r.what == what and r.check == check)


def test_unchanged_code_passes_and_says_what_would_have_been_seen(baseline):
    """The verdict is never "no regression"."""
    found = gate([_new()], baseline, settings=SETTINGS)
    assert (found.verdict, found.exit_code) == ("pass", 0)
    assert "would have been seen" in found.sentence
    assert "no regression" not in found.sentence.lower()
    assert _row(found, "period mean").verdict == "pass"


def test_the_limit_is_the_prediction_limit_of_the_baseline(baseline):
    """The row of the mean agrees with the formula on the logarithms of the run means."""
    found = _row(gate([_new()], baseline, settings=SETTINGS), "period mean")
    y = np.array([math.log(run.get("mean").value) for run in baseline])
    y = y[screen_baseline(y).kept]
    value = math.log(_row(gate([_new()], baseline, settings=SETTINGS), "period mean").value)
    expected = prediction_limit(value, y)
    base = math.exp(expected.mean)
    beyond = max(math.exp(expected.high), 1.03 * base, base + 0.1)  # the range and both tolerances
    assert found.limit == pytest.approx(beyond, rel=1e-12)
    assert found.p == pytest.approx(expected.p, rel=1e-12)


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
    found = gate([_new(**change)], baseline, settings=SETTINGS)
    assert (found.verdict, found.exit_code) == ("fail", 1)
    failed = {row.what for row in found.failed}
    assert rows <= failed
    untouched = {"drive.motors.write mean", "mast.position.read p99"}
    assert not untouched & failed or change.get("scale")


def test_a_change_within_the_tolerance_passes(baseline):
    """Beyond the range but below either tolerance is named, and passes."""
    found = gate([_new(scale=1.025)], baseline, settings=SETTINGS)
    assert found.verdict == "pass"
    assert "within the tolerance" in _row(found, "period mean").note
    strict = gate([_new(scale=1.025)], baseline, settings=SETTINGS, tolerance=Tolerance(1, 0.05))
    assert strict.verdict == "fail"
    absolute = Tolerance(1, 5.0)
    assert gate([_new(scale=1.2)], baseline, settings=SETTINGS, tolerance=absolute).exit_code == 0


def test_a_noisy_baseline_cannot_tell_and_unsure_decides():
    """Scatter that hides a change above the tolerances is exit 3, or what is asked for."""
    noisy = _baseline(sd=0.05)
    found = gate([_new()], noisy, settings=SETTINGS)
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    vague = [r.what for r in found.rows if r.decides and r.verdict == "can't tell"]
    assert vague[0] == "period mean"
    assert f"not enough evidence on {', '.join(vague)};" in found.sentence.replace(".", ";")
    assert gate([_new()], noisy, settings=SETTINGS, unsure="pass").exit_code == 0
    assert gate([_new()], noisy, settings=SETTINGS, unsure="fail").exit_code == 1


def test_several_new_runs_see_smaller_changes(baseline):
    """Three new runs are judged together by the moderated test."""
    one = gate([_new(1)], baseline, settings=SETTINGS)
    three = gate([_new(s) for s in (1, 2, 3)], baseline, settings=SETTINGS)
    assert _row(three, "period mean").seen_percent < 0.8 * _row(one, "period mean").seen_percent
    slow = gate([_new(s, scale=1.05) for s in (1, 2, 3)], baseline, settings=SETTINGS)
    assert slow.exit_code == 1


def test_one_forgotten_bad_run_is_left_out_and_named(baseline):
    """A baseline run 30 % off neither widens the limit nor goes unmentioned."""
    bad = _stored(_new(55, scale=1.3, source="bad.csv"))
    found = gate([_new(scale=1.06)], [*baseline, bad], settings=SETTINGS)
    assert found.exit_code == 1
    assert any(note.startswith("bad.csv is unlike the other") for note in found.notes)
    many = [_stored(_new(60 + k, scale=1.5 + k)) for k in range(6)]
    useless = gate([_new()], [*baseline, *many], settings=SETTINGS)
    assert useless.exit_code == 3
    assert "not usable" in _row(useless, "period mean").note


def test_too_few_baseline_runs_check_limits_only(baseline):
    """With four runs it says so; without limits either there is nothing to say."""
    limits = {"period_p99_ms": 9.5}
    found = gate([_new()], baseline[:4], limits=limits, settings=SETTINGS)
    assert (found.exit_code, found.checked) == (0, ("limits",))
    assert "regression not checked" in found.sentence
    assert any("4 baseline runs, at least 5" in note for note in found.notes)
    assert gate([_new()], baseline[:4], settings=SETTINGS).exit_code == 3
    assert gate([_new()], settings=SETTINGS).exit_code == 3


def test_limits_hold_in_every_new_run():
    """The worst run counts; each limit is read off the values of the run itself."""
    runs = [_new(1), _new(2, scale=1.1)]
    values = [_stored(run) for run in runs]
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
    assert _row(found, "period p99", "limit").value == max(p99)
    assert gate(runs[:1], limits={"period_p99_ms": between}, settings=SETTINGS).exit_code == 0


def test_limits_that_cannot_be_checked():
    """An unknown call suggests the nearest; overruns need a budget; p99 needs loops."""
    with pytest.raises(UsageError, match=r"'giro\.read'; the nearest is 'gyro\.read'"):
        gate([_new()], limits={"call": {"giro.read": {"p99_ms": 1.0}}}, settings=SETTINGS)
    with pytest.raises(UsageError, match="needs a budget"):
        gate([_new()], limits={"overrun_share": 0.1})
    short = gate([_new(loops=170)], limits={"period_p99_ms": 9.0}, settings=SETTINGS)
    assert short.exit_code == 3
    assert "have no p99" in short.rows[0].note


def test_unlike_runs_are_refused(baseline):
    """Another robot, other phases and another pacing are one line each."""
    with pytest.raises(UsageError, match="of robot 'spare'"):
        gate([recording(1, robot="spare")], baseline, settings=SETTINGS)
    with pytest.raises(UsageError, match="--phase"):
        gate([_new(phase="transport")], baseline, settings=SETTINGS)
    with pytest.raises(UsageError, match="paced as 'fixed rate"):
        gate([paced(_new(), 20.0)], baseline, settings=SETTINGS)
    with pytest.raises(LogError, match="after the warm-up"):
        gate([_new(loops=50)], baseline, settings=SETTINGS)
    with pytest.raises(UsageError, match="no new log"):
        gate([], baseline, settings=SETTINGS)


def test_paced_loops_are_judged_by_work():
    """A slow-down that fits the pace is invisible in the period and fails in the work."""
    factors = np.exp(np.random.default_rng(1).normal(0, 0.004, 8))
    old = [
        _stored(paced(recording(100 + k, scale=f), 20.0), Settings(budget_ms=25.0))
        for k, f in enumerate(factors)
    ]
    found = gate([paced(recording(3, scale=1.1), 20.0)], old, settings=Settings(budget_ms=25.0))
    assert found.exit_code == 1
    assert "work mean" in {row.what for row in found.failed}
    assert _row(found, "work mean").change_percent == pytest.approx(10, abs=2)
    assert not any(row.call == "pace.sleep" for row in found.rows)


def test_unlike_lengths_widen_the_limit(baseline):
    """A run a quarter as long gets a wider limit, and it is said."""
    short = gate([_new(loops=1300)], baseline, settings=SETTINGS)
    tight = Tolerance(percent=0.0, ms=0.0)
    wide, narrow = (
        _row(gate([_new(loops=n)], baseline, settings=SETTINGS, tolerance=tight), "period mean")
        for n in (1300, 4000)
    )
    assert wide.limit > narrow.limit
    assert any("unlike lengths" in note for note in short.notes)
    longer = gate([_new(loops=9000)], baseline, settings=SETTINGS)
    assert longer.new[0].loops < 4200


def test_the_baseline_of_a_season_leaves_out_the_new_run(tmp_path):
    """Marked runs of the robot are taken, without the run that is checked."""
    season = Season(tmp_path / "season", create=True)
    runs = [_new(s) for s in range(6)]
    add_runs(season, [*runs, recording(50, robot="spare")], SETTINGS)
    assert choose_baseline(season, [_new(90)]) == []
    season.mark_baseline([e.name for e in season.entries()])
    assert len(choose_baseline(season, [_new(90)])) == 6
    assert len(choose_baseline(season, [runs[0]])) == 5
    assert len(choose_baseline(season, [_new(90)], "robot=tray-carrier last=3")) == 3
    stranger = recording(91, robot="third")
    with pytest.raises(UsageError, match="same robot"):
        gate([stranger], choose_baseline(season, [stranger]), settings=SETTINGS)


def test_json_is_complete_and_strict(baseline):
    """The JSON holds the rows and nothing that JSON cannot say."""
    found = gate([_new()], baseline, limits={"period_p99_ms": 9.5}, settings=SETTINGS)
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

    old = [_stored(even(k)) for k in range(6)]
    found = gate([even(6)], old, settings=SETTINGS)
    assert not found.new[0].work_known
    assert not [r for r in found.rows if r.decides and r.verdict != "pass"]
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert "headroom unknown" in found.sentence


def test_what_is_at_its_limit_is_within_it():
    """The longest period as the limit passes, a microsecond less fails."""
    new = recording(1, loops=400)
    stored = [_stored(new)]
    longest = stored[0].max_ms["period"]
    (at,) = limit_rows(stored, {"period_max_ms": longest})
    (below,) = limit_rows(stored, {"period_max_ms": longest - 0.001})
    assert (at.verdict, below.verdict) == ("pass", "fail")


def test_a_figure_near_its_limit_is_marked():
    """Within 2.1 standard errors on either side another run of the same code may come out else."""
    stored = [_stored(recording(1))]
    mean = stored[0].by_name["period", "mean"]
    for errors, marked in ((-1.5, True), (1.5, True), (-3.0, False), (3.0, False)):
        (row,) = limit_rows(stored, {"period_mean_ms": mean.value + errors * mean.se})
        assert ("near the limit" in row.note) is marked


def test_unlike_lengths_weigh_less_for_several_new_runs():
    """The mean of two runs has half of what a shorter window adds to the variance of one."""
    kept, new = np.array([1.0, 1.2, 0.9, 1.1, 1.0, 0.8]), np.array([1.0, 1.1])
    plain = _prediction(new, kept, 0.0)
    wider = _prediction(new, kept, 0.04)
    assert wider[1] ** 2 - plain[1] ** 2 == pytest.approx(0.04 / 2)
    one = _prediction(new[:1], kept, 0.0), _prediction(new[:1], kept, 0.04)
    assert one[1][1] ** 2 - one[0][1] ** 2 == pytest.approx(0.04)


def test_a_count_varies_on_the_scale_on_which_it_is_judged():
    """Var sqrt(c + 3/8) is Var c over 4 (c + 3/8); any other figure varies on its logarithm."""
    count = Value("period", "overruns", 10, 10, 4.0, 1000)
    assert _relative_variance(count) == pytest.approx(16 / (4 * 10.375))
    assert _relative_variance(Value("period", "mean", 20, 20, 0.4, 1000)) == pytest.approx(0.0004)


@pytest.mark.parametrize(("loops", "verdict"), [(19, "can't tell"), (20, "pass")])
def test_twenty_loops_have_a_95th_percentile(loops, verdict):
    """With twenty loops one lies beyond it; with fewer none does."""
    stored = [_stored(make_run([10.0] * loops), Settings(keep_warmup=True))]
    (row,) = limit_rows(stored, {"period_p95_ms": 11.0})
    assert row.verdict == verdict


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


def test_a_stored_count_leaves_out_what_just_keeps_the_budget():
    """Thirty periods of 10 ms and thirty of 11 ms, with a budget of 10 ms: thirty are over."""
    run = make_run([10.0, 11.0] * 30)
    stored = _stored(run, Settings(budget_ms=10.0, keep_warmup=True))
    assert stored.get("overruns").value == 30
