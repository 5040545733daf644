"""The checklist before a round: each line has its tick, its cross or is not judged, as planted."""

import json
import shlex
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import looptime
from looptime import cli
from looptime.analysers.pace import overruns
from looptime.analysers.recurs import Recurrence, Recurrences
from looptime.checks.gate.checked import Checked
from looptime.checks.gate.checklist import WORDS, Checklist, _rows, checklist
from looptime.checks.gate.gate import GateResult, gate
from looptime.checks.gate.limits import Row
from looptime.checks.gate.sensors import _held_long, _is_slow
from looptime.checks.recording.recording import Settings
from looptime.findings import summarise
from looptime.parsers.log import Log
from looptime.samples import folder
from looptime.schema import SCHEMA_VERSION
from tests.build_run import make_run
from tests.checks.build import recording

SETTINGS = Settings(budget_ms=11.0)


def states(run, baseline=(), limits=None, **log):
    """State of each line by its name, and the whole list."""
    judged = gate([run], baseline, limits=limits, settings=SETTINGS)
    made = Log("a.csv", (replace(run, **log),))
    found = checklist([made], [run], [summarise(run, budget_ms=11.0)], judged)
    return {one.what: one.state for one in found.checks}, found


def test_a_good_run_of_a_known_robot_is_ready() -> None:
    """Against five runs of the same code and within its limits all that can be judged holds."""
    old = [recording(k, stalls=0.0, code_version="7") for k in range(10, 18)]
    found, whole = states(recording(1, stalls=0.0, code_version="7"), old, {"period_p99_ms": 20.0})
    assert found == {
        "log": "ok", "pace": "ok", "limits": "ok", "season": "ok", "calls": "ok",
        "timeouts": "ok", "sensors": "not judged", "version": "ok", "battery": "not judged",
    }  # fmt: skip
    assert whole.sentence == "Ready as far as judged: 7 of 9 checks; not judged: sensors, battery."
    assert whole.action == "log battery_v as a signal"


@pytest.mark.parametrize(("names", "said"), [
    (["gyro"], "1 reading or signal is new as usual"),
    (["gyro", "range"], "2 readings and signals are new as usual"),
])  # fmt: skip
def test_one_reading_is_not_spoken_of_as_several(names, said) -> None:
    """Readings published in every loop are new; how many there are is said in good English."""
    marks = [(10 * k + at, name, what) for k in range(200) for name in names
             for at, what in ((1, "published"), (2, "used"))]  # fmt: skip
    calls = [(name, 0.0, 0.5) for name in names]
    _, whole = states(make_run([10.0] * 200, calls, marks=marks, source="a.csv"))
    assert next(one.text for one in whole.checks if one.what == "sensors") == said


def test_a_limit_of_a_call_that_is_not_there_is_not_judged() -> None:
    """The others hold, and the list is ready as far as judged alone."""
    limits = {"period_p99_ms": 20.0, "call": {"giro.read": {"p99_ms": 9.0}}}
    found, whole = states(recording(1, stalls=0.0), (), limits)
    assert (found["limits"], whole.standing) == ("not judged", "partly")
    (line,) = [one for one in whole.checks if one.what == "limits"]
    assert line.text.startswith("within all limits (1 of 2 figures judged); no run holds the call")


def test_what_was_planted_gets_its_cross() -> None:
    """A limit broken, a call that is new, a tenth of the rows lost: each is named, in order."""
    old = [recording(k) for k in range(10, 18)]
    other = recording(1, calls={"gyro.read": 1.2, "camera.read": 2.0})
    found, whole = states(other, old, {"period_p99_ms": 1.0}, rows_read=1000, rows_used=800)
    assert (found["log"], found["limits"], found["calls"]) == ("bad", "bad", "bad")
    assert whole.sentence.startswith("Not ready: look at log, limits, ")
    assert (whole.verdict, whole.exit_code) == ("fail", 1)
    assert whole.action == "looptime columns a.csv"
    assert "camera.read" in next(one.text for one in whole.checks if one.what == "calls")


def test_without_a_baseline_little_is_judged() -> None:
    """Nothing is called fine that was not looked at."""
    found, whole = states(recording(1, stalls=0.0))
    assert found["season"] == found["calls"] == found["limits"] == "not judged"
    assert whole.verdict == "can't tell"
    assert whole.sentence.startswith("Can't tell whether it is ready: ")


@pytest.mark.parametrize(
    ("period_ms", "phase", "budget_ms", "limits", "state"),
    [([12.0] * 300, None, 10.0, None, "bad"), ([12.0] * 300, None, 12.5, None, "ok"),
     ([12.0] * 149 + [9.0] * 151, None, 10.0, None, "ok"),
     ([12.0] * 151 + [9.0] * 149, None, 10.0, None, "bad"),
     ([10.1] * 300, None, 10.0, None, "not judged"),
     ([12.0] * 300, "standby", 10.0, None, "bad"),
     ([12.0] * 300, None, 10.0, {"overrun_share": 1.0}, "ok")],
)  # fmt: skip
def test_a_stated_budget_that_most_loops_break_is_a_cross(
    period_ms, phase, budget_ms, limits, state
) -> None:
    """One loop more than half of 300 decides; a budget that is the pace itself tells nothing.

    A limit on the share of the overruns decides where the team states one.
    """
    shuffled = np.random.default_rng(1).permutation(period_ms)
    run = make_run(shuffled, lambda k: [("gyro.read", 0.5, 1.0 + k % 7 * 0.1)])
    judged = gate([run], limits=limits, settings=Settings(budget_ms=budget_ms))
    at = replace(summarise(run, budget_ms=budget_ms), phase=phase)
    found = checklist([Log("a.csv", (run,))], [run], [at], judged)
    assert next(one.state for one in found.checks if one.what == "pace") == state


def test_a_robot_that_stands_idle_may_loop_slowly() -> None:
    """Its idle loops break the budget, those at work keep it: no cross; the other way round one."""
    slow, fast = ({"share": s, "count": n, "budget": 20.0} for s, n in ((1.0, 400), (0.01, 4)))
    for at_work, state in ((fast, "ok"), (slow, "bad")):
        idle = fast if at_work is slow else slow
        parts = [a_summary(**at_work, phase="operator"), a_summary(**idle, phase="standby")]
        found = line("pace", summaries=parts)
        assert found[0] == state
        assert "in phase operator;" in found[1]


def test_timeouts_are_durations_that_come_to_one_constant() -> None:
    """Forty of 48 ms in 2,000 reads of 3 ms, beside stalls of all lengths in another call."""
    rng = np.random.default_rng(3)
    stuck = rng.random(2000) < 0.02
    long = np.where(rng.random(2000) < 0.02, rng.uniform(20, 60, 2000), 2.0)
    read = np.where(stuck, 48.0 + rng.normal(0, 0.05, 2000), 3.0 + rng.normal(0, 0.1, 2000))
    run = make_run(
        read + long + 2.0,
        lambda k: [("imu.read", 0.5, read[k]), ("log.write", 1 + read[k], long[k])],
    )
    found, whole = states(run)
    assert found["timeouts"] == "bad"
    (text,) = [one.text for one in whole.checks if one.what == "timeouts"]
    assert text == f"imu.read {int(stuck.sum())} times 48 ms"


def test_a_slow_sensor_may_be_meant_so(tmp_path: Path) -> None:
    """A heading that is new in every fourth loop, evenly: its own pace, or too slow."""
    log = tmp_path / "run.csv"
    rows = "".join(f"{20 * k},{(k // 4) * 0.5}\n" for k in range(800))
    log.write_text(f"time_ms,heading_deg\n{rows}", encoding="utf-8")
    found, whole = states(looptime.read(log, cache=False))
    assert found["sensors"] == "not judged"
    said = next(one.text for one in whole.checks if one.what == "sensors")
    assert said == "heading_deg is new in one of 4 loops: its own pace, or too slow: can't tell"


@pytest.mark.parametrize(
    ("rest", "state", "said"),
    [(300, "not judged", "heading_deg and mast/angle stayed the same for up to 301 loops"),
     (3, "ok", "2 readings and signals are new as usual")],
)  # fmt: skip
def test_a_robot_at_rest_has_no_stale_sensors(rest, state, said, tmp_path: Path) -> None:
    """Values that are new in each loop but while it stands, and targets, which nobody measures."""
    moved = np.concatenate([np.arange(400), np.full(rest, 399), np.arange(400, 700)])
    log = tmp_path / "run.csv"
    rows = "".join(f"{20 * k},{m * 0.13:.2f},{m * 0.31:.2f},{30 * (m > 200)}\n"
                   for k, m in enumerate(moved))  # fmt: skip
    log.write_text(f"time_ms,heading_deg,mast/angle,targets/wheel\n{rows}", encoding="utf-8")
    found, whole = states(looptime.read(log, cache=False))
    assert found["sensors"] == state
    assert next(one.text for one in whole.checks if one.what == "sensors").startswith(said)


@pytest.mark.parametrize(
    ("name", "value", "state"),
    [("range_m", "2.5", "not judged"), ("distance", "0", "not judged"),
     ("lidar", "812", "not judged"),
     ("bumper", "0", "ok"), ("kp", "0.8", "ok"), ("target_speed", "1.5", "ok"),
     ("retries", "3", "ok"), ("battery_v", "12.4", "ok")],
)  # fmt: skip
def test_a_sensor_that_never_changes_is_named(name, value, state, tmp_path: Path) -> None:
    """From the first loop on; a setting, a count, a switch or a full battery may well do so."""
    log = tmp_path / "run.csv"
    rows = "".join(f"{20 * k + k % 3},{90 + k * 0.13:.2f},{value}\n" for k in range(400))
    log.write_text(f"time_ms,heading_deg,{name}\n{rows}", encoding="utf-8")
    found, whole = states(looptime.read(log, cache=False))
    assert found["sensors"] == state
    assert any(one.text.startswith(f"{name} never changed") for one in whole.checks) is (
        state != "ok"
    )
    assert found["battery"] == ("ok" if name == "battery_v" else "not judged")


def test_a_battery_beside_calls_is_read(tmp_path: Path) -> None:
    """A row a call, and the voltage in each of them."""
    log = tmp_path / "run.csv"
    rows = "".join(f"{n},{20 * k + 5 * at},{4 + k % 2},12.4\n" for k in range(200)
                   for at, n in enumerate(("gyro", "motors")))  # fmt: skip
    log.write_text(f"name,start_ms,duration_ms,vbat\n{rows}", encoding="utf-8")
    assert states(looptime.read(log, cache=False))[0]["battery"] == "ok"


def test_a_copy_of_a_baseline_run_is_no_new_log() -> None:
    """It keeps to the baseline, and nothing new was looked at."""
    old = [recording(k) for k in range(10, 18)]
    copied = replace(old[3], source="today.csv")
    found, whole = states(copied, old)
    assert (found["log"], found["season"]) == ("not judged", "ok")
    assert "run-13.csv of the baseline is a copy of a new run" in whole.checks[0].text


def test_the_command_exits_as_the_gate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Limits alone decide here: 0 where they hold, 1 where not; JSON holds every line."""
    log, project = tmp_path / "run.csv", tmp_path / "looptime.toml"
    log.write_text("time_ms\n" + "".join(f"{20 * k + k % 3}\n" for k in range(600)), "utf-8")
    for limit, code in ((30, 0), (10, 1)):
        project.write_text(f"[limits]\nperiod_p99_ms = {limit}\n", "utf-8")
        assert cli.run(["pit", str(log), "--project", str(project), "--json"]) == code
        told = json.loads(capsys.readouterr().out)
        assert told["exit_code"] == code
        assert len(told["checks"]) == told["judged"]["of"] == 9
        assert cli.run(["pit", str(log), "--project", str(project)]) == code
        lines = capsys.readouterr().out.splitlines()
        assert lines[0].startswith("Ready as far" if code == 0 else "Not ready: look at limits")


def test_the_battery_is_told_by_its_voltage(tmp_path: Path) -> None:
    """The least and the most of the column that says so, and of no other."""
    log = tmp_path / "run.csv"
    rows = "".join(f"{20 * k},{(k % 90) / 2},{12.4 - k / 2000:.3f}\n" for k in range(601))
    log.write_text(f"time_ms,heading_deg,battery_v\n{rows}", encoding="utf-8")
    found, whole = states(looptime.read(log, cache=False))
    assert found["battery"] == "ok"
    assert whole.checks[-1].text == "12.1 V at least, 12.4 V at most"


@pytest.mark.parametrize(
    ("verdicts", "state", "text"),
    [(["pass", "pass", "not judged", "pass"], "ok", "fine (3 of 4 figures judged)"),
     (["pass", "fail", "can't tell", "fail"], "bad", "beyond the limit: figure 1, figure 3"),
     (["pass", "can't tell"], "not judged", "can't tell: figure 1")],
)  # fmt: skip
def test_a_line_sums_its_figures_up(verdicts, state, text) -> None:
    """What was judged is counted; what fails is named, else what cannot be told."""
    rows = [SimpleNamespace(what=f"figure {k}", verdict=verdict, decides=True)
            for k, verdict in enumerate(verdicts)]  # fmt: skip
    line = _rows("season", rows, "fine")
    assert (line.state, line.text) == (state, text)


@pytest.mark.parametrize(
    ("fresh_hz", "hold", "longest", "stale"),
    [(50.0, 1.0, 5, False), (50.0, 1.0, 6, True), (50.0, 3.0, 15, False), (50.0, 3.0, 16, True),
     (25.0, 2.0, 2, False), (24.9, 2.0, 2, True), (50.0, None, 6, True),
     (50.0, None, 5, False)],
)  # fmt: skip
def test_a_reading_is_stale_where_it_is_held_far_longer_than_usual(
    fresh_hz, hold, longest, stale
) -> None:
    """More than five times the usual, or new less than half as often as the loop runs."""
    one = SimpleNamespace(
        fresh_hz=fresh_hz, loop_hz=50.0, hold_loops=hold, longest_hold_loops=longest, source="read"
    )
    assert (_is_slow(one) or _held_long(one)) is stale


def gated(verdict="pass", rows=(), checked=(), baseline=0, **more) -> GateResult:
    """A gate's result with nothing but these."""
    return GateResult((), tuple(rows), (None,) * baseline, tuple(checked), (), verdict, "", **more)


NAMELESS = SimpleNamespace(meta={}, signals=None)


def line(what, *, logs=(), runs=(NAMELESS,), summaries=(), judged=None):
    """One line of the checklist: state, text and what to do."""
    found = checklist(logs, runs, summaries, judged or gated()).checks
    one = next(one for one in found if one.what == what)
    return one.state, one.text, one.action


def a_log(read, used, *dropped, path="a.csv"):
    """A log of which so many rows were read and used, and a recorder's losses in each run."""
    runs = [SimpleNamespace(dropped=lost, meta={"dropped": str(lost)}) for lost in dropped]
    return SimpleNamespace(path=path, rows_read=read, rows_used=used, runs=runs)


@pytest.mark.parametrize(
    ("logs", "state", "text"),
    [([a_log(1000, 950, 50)], "ok", "5 % of 1,000 rows set aside, 50 lost by the recorder"),
     ([a_log(1000, 950, 0)], "ok", "5 % of 1,000 rows set aside, 0 lost by the recorder"),
     ([a_log(1000, 949)], "bad", "5.1 % of 1,000 rows set aside"),
     ([a_log(1000, 1000, 30, 21)], "bad", "0 % of 1,000 rows set aside, 51 lost by the recorder"),
     ([a_log(900, 855), a_log(100, 90, path="b.csv")], "bad",
      "5.5 % of 1,000 rows set aside"),
     ([a_log(0, 0)], "bad", "100 % of 0 rows set aside")],
)  # fmt: skip
def test_a_log_is_sound_up_to_a_twentieth(logs, state, text) -> None:
    """Rows set aside and lost over all logs; one more than a twentieth of either is a cross.

    The log that lost most is looked at first: `columns` takes one.
    """
    action = "looptime columns a.csv" if state == "bad" else ""
    assert line("log", logs=logs) == (state, text, action)


def a_summary(**of):
    """A summary with what the checklist looks at: 50 loops a second, no budget, no call."""
    over = replace(overruns(np.zeros(0), of.get("budget")), share=of.get("share"),
                   count=of.get("count"))  # fmt: skip
    pace = SimpleNamespace(
        overruns=over, keeps_budget=(of.get("share") or 0.0) <= 0.5,
        rate_hz=SimpleNamespace(by_time=of.get("rate", 50.04)),
        period_ms=SimpleNamespace(p99=SimpleNamespace(value=of.get("p99", 23.46))),
    )  # fmt: skip
    return SimpleNamespace(
        pace=pace, costs=SimpleNamespace(calls=of.get("calls", ())),
        recurrence=of.get("recurrence", Recurrences((), None)),
        blocking=of.get("blocking", ()), freshness=of.get("freshness", ()),
        run=SimpleNamespace(source="a.csv"), phase=of.get("phase"),
    )  # fmt: skip


def test_the_pace_is_that_of_the_worst_part() -> None:
    """Of three phases the one with most loops over the budget is told, and blocks nothing."""
    found = (None, None, 50, 20), (0.02, 1200, 45, 31.26), (0.01, 9, 40, 40)
    three = [a_summary(share=s, count=n, budget=20.0, rate=r, p99=p, phase=str(k))
             for k, (s, n, r, p) in enumerate(found)]  # fmt: skip
    assert line("pace", summaries=three) == (
        "ok", "45 loops a second, 1 in 100 over 31.3 ms in phase 1, the worst of 3 parts; "
        "1,200 over 20 ms there, 1,209 in all", "",
    )  # fmt: skip
    assert line("pace", summaries=[a_summary(budget=20.0, rate=None, p99=None)]) == (
        "ok", "0 loops a second, 1 in 100 over 0 ms; 0 over 20 ms", ""
    )  # fmt: skip
    assert line("pace", summaries=[a_summary()]) == (
        "not judged", "50 loops a second, 1 in 100 over 23.5 ms; no budget is stated",
        "state [loop] budget_ms in looptime.toml, or give --budget-ms",
    )  # fmt: skip
    assert line("pace", logs=[a_log(1, 1)]) == (
        "bad", "no loop to say anything about", "looptime columns a.csv"
    )  # fmt: skip


def test_limits_and_season_look_at_their_own_figures() -> None:
    """One of each fails: each line names its own, and the season what to look at."""
    rows = [Row("limit", "period p99", "p99", verdict="fail"), Row("limit", "work p99", "p99"),
            Row("regression", "gyro.read mean", "mean", verdict="fail")]  # fmt: skip
    judged = gated("fail", rows, ("limits", "regression"), 8)
    assert line("limits", judged=judged) == ("bad", "beyond the limit: period p99", "")
    found = line("season", logs=[a_log(1, 1)], judged=judged)
    assert found == ("bad", "beyond the limit: gyro.read mean", "looptime gate a.csv")
    good = gated("pass", [rows[1], replace(rows[2], verdict="pass")], ("regression",), 8)
    assert line("limits", judged=good) == ("ok", "within all limits (1 of 1 figures judged)", "")
    said = "as the 8 baseline runs (1 of 1 figures judged)"
    assert line("season", judged=good) == ("ok", said, "")
    assert line("limits") == ("not judged", "none are stated", "state [limits] in looptime.toml")
    assert line("season") == (
        "not judged", "fewer than 5 baseline runs",
        "keep a season: looptime season add FOLDER, then looptime season baseline QUERY",
    )  # fmt: skip


def test_of_many_figures_four_are_named_and_only_those_that_decide() -> None:
    """Of six that fail, or cannot be told, the first four; one that decides nothing is none."""
    for verdict, said in (("fail", "beyond the limit: "), ("can't tell", "can't tell: ")):
        rows = [Row("limit", f"f{k}", "p99", verdict=verdict) for k in range(6)]
        assert line("limits", judged=gated(rows=rows))[1] == said + "f0, f1, f2, f3"
    assert line("limits", judged=gated(rows=rows))[2] == "record longer, or more runs"
    rows = [Row("limit", "f", "p99", verdict="can't tell", decides=False)]
    assert line("limits", judged=gated(rows=rows))[:2] == (
        "ok", "within all limits (0 of 1 figures judged)"
    )  # fmt: skip


def test_calls_that_are_not_the_baselines_are_named() -> None:
    """The first four with what is the matter; the baseline alone makes them known."""
    other = {f"c{k}": "is new" for k in range(5)}
    judged = gated(checked=("regression",), other_calls=other)
    named = ", ".join(f"c{k} (is new)" for k in range(4)) + " and 1 more"
    assert line("calls", judged=judged) == (
        "bad", named, "compare like code, or renew the baseline"
    )  # fmt: skip
    assert line("calls", judged=gated(checked=("regression",))) == (
        "ok", "the same as in the baseline", ""
    )  # fmt: skip
    assert line("calls", judged=gated(checked=("regression",), same_calls=("a and b",))) == (
        "ok", "as in the baseline at the same cost under other names: a and b", ""
    )  # fmt: skip
    assert line("calls", judged=gated(other_calls=other)) == (
        "not judged", "there is no baseline to know them from", ""
    )  # fmt: skip


def test_timeouts_are_named_with_how_often() -> None:
    """Three of four calls that run into one, over all parts; other signs are none."""
    signs = [SimpleNamespace(code=code, count=count, value_ms=48.04)
             for code, count in (("timeout", 7), ("other", 9))]  # fmt: skip
    stuck = [SimpleNamespace(name=f"c{k}", signs=signs) for k in range(4)]
    parts = [a_summary(calls=["c"], blocking=stuck[:1]), a_summary(blocking=stuck[1:])]
    assert line("timeouts", logs=[a_log(1, 1)], summaries=parts) == (
        "bad", "c0 7 times 48 ms; c1 7 times 48 ms; c2 7 times 48 ms", "looptime slow a.csv"
    )  # fmt: skip
    fine = [a_summary(calls=["c"])]
    assert line("timeouts", summaries=fine) == ("ok", "no call runs into a constant time", "")
    assert line("timeouts", summaries=[a_summary(blocking=stuck)]) == (
        "not judged", "the log holds no calls", ""
    )  # fmt: skip


def test_a_call_is_told_once_over_all_phases_and_none_that_keeps_a_rule() -> None:
    """Sixteen and eight of one constant are 24; what comes back every 800 ms is no timeout."""

    def stuck(name, count, ms):
        return SimpleNamespace(
            name=name, signs=[SimpleNamespace(code="timeout", count=count, value_ms=ms)]
        )

    parts = [a_summary(calls=["c"], blocking=[stuck("imu", 16, 25.1), stuck("arm", 3, 9.0)]),
             a_summary(blocking=[stuck("imu", 8, 25.2), stuck("arm", 4, 12.0)])]  # fmt: skip
    said = "imu 24 times 25.1 ms; arm 3 times 9 ms; arm 4 times 12 ms"
    assert line("timeouts", logs=[a_log(1, 1)], summaries=parts)[:2] == ("bad", said)
    rule = Recurrence("imu", "loops", 40.0, 800.0, 16, 16, 1.0, 22.0, long_turns=True)
    ruled = [a_summary(calls=["c"], recurrence=Recurrences((rule,), None)),
             a_summary(blocking=[stuck("imu", 8, 25.2)])]  # fmt: skip
    assert line("timeouts", summaries=ruled) == (
        "ok", "no constant time but by a rule: imu takes 25.2 ms about every 800 ms", ""
    )  # fmt: skip
    longer = [ruled[0], a_summary(blocking=[stuck("imu", 8, 60.0)])]
    assert line("timeouts", logs=[a_log(1, 1)], summaries=longer)[0] == "bad"


def test_stale_readings_are_named_and_a_battery_is_none() -> None:
    """Three of four that are new in every tenth loop, each once; a battery is slow by nature.

    One that a loop reads and that stays the same for six times as long as usual hangs.
    """

    def reading(name, fresh=5.04, loop=50.0, source="read", even=False, longest=12):
        return SimpleNamespace(
            name=name, fresh_hz=fresh, loop_hz=loop, hold_loops=10.0, longest_hold_loops=longest,
            source=source, own_pace=even,
        )  # fmt: skip

    beside = [reading("Battery_v"), reading("x", None), reading("y", 5.0, None)]
    beside += [reading(name) for name in ("batt", "vbat", "bus_volts")]
    beside.append(reading("mast_m", source="signal"))  # rounding alone holds it
    old = [reading("s0"), *(reading(f"s{k}", source="signal", even=True) for k in (1, 2, 3))]
    parts = [a_summary(freshness=[*beside, *old]), a_summary(freshness=old)]
    said = "s0 is new 5.04 times a second, held 12 loops; s1 is new in one of 10 loops; "
    said += "s2 is new in one of 10 loops: its own pace, or too slow: can't tell"
    assert line("sensors", logs=[a_log(1, 1)], summaries=parts) == (
        "not judged", said, "see whether s0 is to be new as rarely as that"
    )  # fmt: skip
    parts.append(a_summary(freshness=[reading("s0", longest=61)]))
    assert line("sensors", logs=[a_log(1, 1)], summaries=parts) == (
        "bad", "s0 is new 5.04 times a second, held 61 loops", "looptime summary --full a.csv"
    )  # fmt: skip
    assert line("sensors", summaries=[a_summary(freshness=beside)]) == (
        "not judged", "no reading or signal tells when it is new", ""
    )  # fmt: skip


@pytest.mark.parametrize(
    ("metas", "expected"),
    [([{"code_version": "7"}, {"code_version": "7", "version": "1"}], ("ok", "7", "")),
     ([{"version": "b"}, {"code_version": "a"}],
      ("bad", "2 versions: a, b", "check logs of one version at a time")),
     ([{"version": f"{k}"} for k in range(5)],
      ("bad", "5 versions: 0, 1, 2, 3", "check logs of one version at a time")),
     ([{"code_version": "7"}, {}], ("not judged", "not named in the log",
                                    'write a line such as "# code_version: 1.4" into the log'))],
)  # fmt: skip
def test_the_version_is_one(metas, expected) -> None:
    """The code's version, else any; several are named, and a run without one leaves it open."""
    runs = [SimpleNamespace(meta=meta, signals=None) for meta in metas]
    assert line("version", runs=runs) == expected


def test_the_battery_is_that_of_all_runs() -> None:
    """Least and most over two runs, of known values only; other signals and runs say nothing."""
    held = [{"BATTERY_v": np.array([12.04, np.nan, 11.96]), "x": np.array([1.0])},
            {"main battery": np.array([12.51])}]  # fmt: skip
    runs = [SimpleNamespace(meta={}, signals=SimpleNamespace(values=one)) for one in held]
    runs.append(SimpleNamespace(meta={}, signals=None))
    assert line("battery", runs=runs) == ("ok", "12 V at least, 12.5 V at most", "")
    assert line("battery", runs=runs[2:]) == (
        "not judged", "no battery voltage in the log", "log battery_v as a signal"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("states", "gate", "verdict", "code", "sentence", "action"),
    [("ok ok", "pass", "pass", 0, "Ready: 2 of 2 checks hold.", ""),
     ("ok ok", "can't tell", "can't tell", 3,
      "Can't tell whether it is ready: 2 of 2 checks hold; not judged: the gate.", ""),
     ("ok open", "pass", "pass", 0, "Ready as far as judged: 1 of 2 checks; not judged: c1.",
      "do 1"),
     ("open bad bad", "pass", "fail", 1, "Not ready: look at c1, c2.", "do 1"),
     ("open ok", "fail", "fail", 1, "Not ready: look at the gate.", "do 0")],
)  # fmt: skip
def test_the_list_is_as_ready_as_its_lines(states, gate, verdict, code, sentence, action) -> None:
    """A cross anywhere is a fail, else the gate decides; a cross is seen to first."""
    checks = tuple(
        Checked(
            f"c{k}", state.replace("open", "not judged"), "", "" if state == "ok" else f"do {k}"
        )
        for k, state in enumerate(states.split())
    )
    whole = Checklist(checks, gated(gate))
    assert (whole.verdict, whole.exit_code) == (verdict, code)
    assert (whole.sentence, whole.action) == (sentence, action)
    assert sentence.startswith(f"{WORDS[whole.standing]}: ")
    told = whole.to_dict()
    assert told["schema_version"] == SCHEMA_VERSION
    assert told["action"] == (action or None)
    assert told["judged"] == {"checks": states.count("ok") + states.count("bad"), "of": len(checks)}
    assert told["checks"][0] == {
        "what": "c0", "state": checks[0].state, "text": "", "action": checks[0].action
    }  # fmt: skip
    assert (told["verdict"], told["exit_code"], told["sentence"]) == (verdict, code, sentence)


def test_what_to_do_next_asks_the_same_season(capsys: pytest.CaptureFixture[str]) -> None:
    """A read a tenth slower than the season: its line says so first, and the gate says how much."""
    logs = folder()
    log, season = logs / "season_runs" / "changed.csv.gz", logs / "season"
    asked = ["pit", str(log), "--season", str(season), "--project", str(logs / "looptime.toml")]
    assert cli.run([*asked, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["sentence"] == "Not ready: look at season (beyond the limit: gyro.read mean)."
    again = shlex.split(told["action"])[1:]
    assert again[:2] == ["gate", str(log)]
    assert cli.run(again) == 1
    assert "FAIL: gyro.read mean" in capsys.readouterr().out


def test_a_log_older_than_the_baseline_is_not_the_last_one() -> None:
    """A log of the 2nd beside a baseline of the 3rd to the 10th; one of the 11th is the newest."""
    old = [recording(k, time=f"2026-03-{k - 7:02}T10:00") for k in range(10, 18)]
    for day, state in (("02", "not judged"), ("11", "ok")):
        found, whole = states(recording(1, time=f"2026-03-{day}T10:00"), old, {}, rows_read=1000)
        assert found["log"] == state
        text = next(one.text for one in whole.checks if one.what == "log")
        assert f"recorded 2026-03-{day}T10:00" in text


@pytest.mark.parametrize(
    ("late", "named"),
    [
        (
            {"mast.read": 8.5},
            "mast.read makes it: 8.50 ms more in the 130 loops of more than 12 ms",
        ),
        ({"camera": 6.0, "mast.read": 1.0}, "camera makes it: 6.00 ms more"),
        ({"mast.read": 3.0, "camera": 3.0, "gyro": 3.0}, None),
    ],
)
def test_the_call_that_makes_a_limit_fail_is_named(late, named) -> None:
    """13 of 100 loops are longer by what is planted; where three share it, none is accused."""
    lengths = {"gyro": 1.0, "mast.read": 1.0, "camera": 4.0}
    more = (np.arange(1000) * 13 % 100) < 13
    ms = {name: usual + late.get(name, 0.0) * more for name, usual in lengths.items()}

    def calls(k):
        at = 0.0
        for name, length in ms.items():
            yield name, at, length[k]
            at += length[k]

    run = make_run(
        2.0 + np.sum(list(ms.values()), axis=0), lambda k: list(calls(k)), source="q.csv"
    )
    found, whole = states(run, limits={"period_p99_ms": 12.0})
    text = next(one.text for one in whole.checks if one.what == "limits")
    assert found["limits"] == "bad"
    assert "period p99" in text
    assert (named in text) if named else ("makes it" not in text)
    assert whole.action == "looptime slow a.csv"
