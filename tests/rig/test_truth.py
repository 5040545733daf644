"""The logs say what the program that made them counted itself, apart from its recorder."""

import csv
import gzip
import json
import time
import types
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from looptime import Run, read, samples
from looptime.recorders import looptime_recorder
from tests.conftest import need_tool
from tests.rig import rig
from tests.rig.record import compile_rig, record, rig_files
from tests.rig.variants import PLAIN, RECORDINGS

LOGS = samples.folder()


def truth_of(log: Path) -> dict[str, Any]:
    path = log.with_name(log.name.replace(".csv.gz", ".truth.json"))
    truth: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return truth


def totals(run: Run) -> dict[str, tuple[str, int, float]]:
    """Thread, number and total duration [ms] of the calls of each name."""
    calls = run.calls
    found = calls.groupby("name", observed=True)
    count, total = found.size(), found["duration_ns"].sum() / 1e6
    thread = found["thread"].first()
    return {name: (thread[name], int(count[name]), float(total[name])) for name in count.index}


def rows_of(log: Path) -> dict[int, dict[str, str]]:
    """The timed calls of a log, by the number of their line."""
    with gzip.open(log, "rt", encoding="utf-8") as file:
        lines = {n: line for n, line in enumerate(file, 1) if line[0] != "#"}
    rows = zip(list(lines)[1:], csv.DictReader(lines.values()), strict=True)
    return {n: row for n, row in rows if row["name"] != "loop" and not row["mark"]}


def compare_with_truth(log: Path, slack_ms: float = 0.003) -> None:
    """Loops, periods, overruns, and number and mean duration of every call.

    The program and its recorder read the clock one after the other: hence the slack.
    """
    run = read(log)
    truth = truth_of(log)
    counted = truth["counted"]
    period_ms = run.loop_columns.period_ns / 1e6
    assert run.dropped == 0
    assert len(run) == counted["loops"]
    assert period_ms.mean() == pytest.approx(counted["mean_period_ms"], abs=slack_ms)
    budget = truth["settings"]["budget_ms"]
    near = np.abs(period_ms - budget) < 10 * slack_ms
    assert abs(int((period_ms > budget).sum()) - counted["overruns"]) <= near.sum()
    found, rows, durations = totals(run), rows_of(log), defaultdict(list)
    for row in rows.values():
        durations[row["name"]].append(float(row["duration_us"]) / 1e3)
    assert set(found) == set(durations)
    # what the analyzer leaves out belongs to the last loop, which has no end, or to none
    aside = Counter(rows[line]["name"] for line in run.set_aside.line if line in rows)
    for name, each in durations.items():
        thread, count, total = found[name]
        call = counted["calls"][name]
        assert (thread, len(each)) == (call["thread"], call["count"])
        assert count == len(each) - aside[name]
        mean_ms = call["total_ms"] / call["count"]
        assert np.mean(each) == pytest.approx(mean_ms, rel=0.03, abs=slack_ms)
        assert total <= sum(each) + slack_ms


@pytest.mark.parametrize("name", [name for name in RECORDINGS if "/" not in name])
def test_sample_log_states_its_truth(name):
    """Each sample log yields the figures that the rig counted while it was recorded."""
    compare_with_truth(LOGS / f"{name}.csv.gz")


@pytest.mark.parametrize("name", ["season_runs/run_01", "season_runs/changed"])
def test_season_run_states_its_truth(name):
    """So does a run of the season, whose calls inside the subsystems are not timed."""
    compare_with_truth(LOGS / f"{name}.csv.gz")


def test_every_recording_is_there():
    """The folder holds the recordings of the table, with the settings of the table."""
    for name, (_, changed) in RECORDINGS.items():
        settings = truth_of(LOGS / f"{name}.csv.gz")["settings"]
        expected = {**PLAIN, **changed}
        del expected["language"]
        assert settings == expected
    logs = {path.relative_to(LOGS).as_posix()[:-7] for path in LOGS.glob("**/*.csv.gz")}
    assert set(RECORDINGS) <= logs


def test_transactions_cost_what_the_bus_says():
    """Single and batched reads last base + items x per item, plus jitter of the size stated."""
    for name, call, items in (
        ("single_reads", "drive.front_left.steer.read", 1),
        ("batched_reads", "drive.encoders.read", 8),
        ("single_reads", "gyro.read", 6),
    ):
        run = read(LOGS / f"{name}.csv.gz")
        durations = run.calls.loc[run.calls["name"] == call, "duration_ns"] / 1e6
        least = PLAIN["port_base_ms"] + items * PLAIN["port_per_item_ms"]
        assert durations.min() >= least - 0.001
        # jitter is exponential: its median is ln 2 of its mean
        assert durations.median() == pytest.approx(
            least + np.log(2) * PLAIN["port_jitter_ms"], abs=0.015
        )


@pytest.fixture(scope="module")
def classes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The Java rig by a clock that moves on only where the rig waits: on a bus, for a tick."""
    need_tool("java")
    need_tool("javac")
    folder = tmp_path_factory.mktemp("classes")
    for source in rig_files():
        reading = "Latched.now()" if source.name == "Bus.java" else "Latched.nanoTime()"
        text = source.read_text(encoding="utf-8").replace("System.nanoTime()", reading)
        (folder / source.name).write_text(text, encoding="utf-8")
    clock = Path(__file__).resolve().parent / "latched" / "Latched.java"
    compile_rig(folder, [clock, *folder.glob("*.java")])
    return folder


@pytest.mark.parametrize("name", ["single_reads", "gyro_thread_same_bus", "paced_50hz"])
def test_rig_records_anew(name, classes, tmp_path):
    """The rig runs here and now, and its new log agrees with its own counts."""
    compare_with_truth(record(name, tmp_path, classes, seconds=1, least_loops=40))


def test_python_rig_records_anew(tmp_path, monkeypatch):
    """So does the rig in Python, by a clock that moves on only where it waits."""
    at = [time.perf_counter_ns()]

    def wait_until(deadline_ns):
        while at[0] < deadline_ns:
            at[0] = time.perf_counter_ns()

    monkeypatch.setattr(rig, "now_ns", lambda: at[0])
    monkeypatch.setattr(rig, "wait_until", wait_until)
    monkeypatch.setattr(looptime_recorder, "_clock", lambda: at[0])
    here = types.SimpleNamespace(run=lambda words, **_: rig.main(words[3:]))
    monkeypatch.setattr("tests.rig.record.subprocess", here)
    log = record("python_single_reads", tmp_path, tmp_path, seconds=1, least_loops=40)
    compare_with_truth(log)
