"""The checklist before a round: each line has its tick, its cross or is not judged, as planted."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import looptime
from looptime import cli
from looptime.checks.gate.checklist import _is_stale, _rows, checklist
from looptime.checks.gate.gate import gate
from looptime.checks.recording.recording import Settings
from looptime.findings import summarise
from looptime.parsers.log import Log
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
    assert whole.sentence.startswith("Ready as far as judged: ")


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


def test_a_reading_held_long_is_stale(tmp_path: Path) -> None:
    """A heading that is new in every fourth loop is slower than half the loop's rate."""
    log = tmp_path / "run.csv"
    rows = "".join(f"{20 * k},{(k // 4) * 0.5}\n" for k in range(800))
    log.write_text(f"time_ms,heading_deg\n{rows}", encoding="utf-8")
    assert cli.run(["pit", str(log), "--json"]) == 1


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
     (25.0, 2.0, 2, False), (24.9, 2.0, 2, True), (50.0, None, 6, True)],
)  # fmt: skip
def test_a_reading_is_stale_where_it_is_held_far_longer_than_usual(
    fresh_hz, hold, longest, stale
) -> None:
    """More than five times the usual, or new less than half as often as the loop runs."""
    one = SimpleNamespace(
        fresh_hz=fresh_hz, loop_hz=50.0, hold_loops=hold, longest_hold_loops=longest
    )
    assert _is_stale(one) is stale
