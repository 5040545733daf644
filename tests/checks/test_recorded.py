"""Recordings of an unchanged program stay unaccused; one with a slower call is found out."""

from pathlib import Path

import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.gate.gate import gate
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.project import Project
from looptime.questions import Asked
from looptime.questions.sources import load_side

LOGS = Path(__file__).resolve().parents[2] / "sample_logs"
SETTINGS = Settings(budget_ms=25.0)


@pytest.fixture(scope="module")
def season():
    """Twelve recordings of one program, and one of it with a gyro read that takes 10 % longer."""
    reader = Asked(Project.load(LOGS / "looptime.toml")).parts
    paths = sorted(map(str, (LOGS / "season_runs").glob("*.csv.gz")))
    runs = load_side(paths, reader)
    made = [(record(r, SETTINGS), measure(record(r, SETTINGS).series())) for r in runs]
    same = [m for m, path in zip(made, paths, strict=True) if "run_" in path]
    [changed] = [m for m, path in zip(made, paths, strict=True) if "changed" in path]
    return same, changed


def test_each_unchanged_run_passes_the_gate_of_the_others(season):
    """Left out one by one: near 5 % of runs may fail, so at most 2 of 12."""
    same, _ = season
    verdicts = [
        gate([ready], [v for _, v in same if v is not own], settings=SETTINGS).verdict
        for ready, own in same
    ]
    assert len(verdicts) == 12
    assert verdicts.count("fail") <= 2
    assert verdicts.count("pass") >= 8


def test_the_slower_call_fails_the_gate_by_name(season):
    """The gyro read, and no other call, is beyond its limit."""
    same, (changed, _) = season
    found = gate([changed], [v for _, v in same], settings=SETTINGS)
    assert found.exit_code == 1
    assert {row.call for row in found.failed if row.call} == {"gyro.read"}


def test_the_slower_call_is_named_and_explains_the_change(season):
    """Against runs of before: slower by about 10 % of its time on the bus."""
    same, (_, changed) = season
    history = [v for _, v in same[3:]]
    found = compare([v for _, v in same[:3]], [changed], settings=SETTINGS, history=history)
    assert {c.call for c in found.calls if c.verdict == "slower"} == {"gyro.read"}
    gyro = next(c for c in found.calls if c.call == "gyro.read" and c.statistic == "mean")
    assert gyro.percent.low < 10 < gyro.percent.high + 2
    assert found.explained.parts[0].name == "gyro.read"
    total = sum(p.difference_ms for p in found.explained.parts)
    assert total == pytest.approx(found.explained.difference_ms, abs=1e-9)


def test_unchanged_sides_of_interleaved_runs(season):
    """Six against six of the same program: no change seen."""
    same, _ = season
    sides = [[v for k, (_, v) in enumerate(same) if k % 4 in ks] for ks in ((0, 3), (1, 2))]
    found = compare(*sides, settings=SETTINGS)
    assert found.order.letters == "ABBA" * 3
    assert found.verdict == "no change seen"
    assert not found.order.separated
