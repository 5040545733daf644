"""The command line on the sample logs: their summaries state what the rig counted itself."""

import json

import pytest

from looptime import cli
from looptime.samples import folder

LOGS = folder()
NAMES = sorted(path.name.removesuffix(".truth.json") for path in LOGS.glob("*.truth.json"))
MODES = {"free": "free-running", "skip": "fixed rate, skips", "catch_up": "fixed rate, catches up"}
# calls that are made by the clock, not by the loop: their share depends on which loops are judged
BLOCKING = ("sensor read", "actuator write", "telemetry")


def summary(name: str, capsys: pytest.CaptureFixture[str]) -> dict:
    args = ["summary", str(LOGS / f"{name}.csv.gz"), "--json", "--keep-warmup"]
    assert cli.run([*args, "--project", str(LOGS / "looptime.toml")]) == 0
    return json.loads(capsys.readouterr().out)["logs"][0]


@pytest.mark.parametrize("name", NAMES)
def test_summary_states_the_truth(name, capsys):
    """Loops, mean period, overruns, pacing mode and the call that blocks longest."""
    truth = json.loads((LOGS / f"{name}.truth.json").read_text(encoding="utf-8"))
    counted, settings = truth["counted"], truth["settings"]
    runs = summary(name, capsys)["runs"]
    loops = sum(run["loops"]["count"] for run in runs)
    assert loops == counted["loops"]
    mean = sum(run["period_ms"]["mean"]["value"] * run["loops"]["count"] for run in runs) / loops
    assert mean == pytest.approx(counted["mean_period_ms"], abs=0.003)
    assert abs(sum(run["overruns"]["count"] for run in runs) - counted["overruns"]) <= 2
    assert {run["pacing"]["mode"] for run in runs} == {MODES[settings["pace"]]}
    if len(runs) == 1:
        calls = [c for c in runs[0]["calls"] if c["kind"] in BLOCKING and c["share"] is not None]
        top = max(calls, key=lambda call: call["self_ms_per_loop"])
        rival = next(c for c in calls if c["name"] == counted["top_blocking_call"])
        # two calls may be as good as equal
        assert rival["self_ms_per_loop"] > 0.9 * top["self_ms_per_loop"]


@pytest.mark.parametrize("name", ["single_reads", "telemetry_rare", "paced_50hz"])
def test_summary_finds_the_telemetry_rhythm(name, capsys):
    """The write that was made by the clock is found, with its period."""
    truth = json.loads((LOGS / f"{name}.truth.json").read_text(encoding="utf-8"))
    (run,) = summary(name, capsys)["runs"]
    found = [r for r in run["recurrence"] if r["call"] == "telemetry.write"]
    assert found
    assert "timetable" in {rule["mechanism"] for rule in found[0]["could_be"]}
    assert found[0]["every_ms"] == pytest.approx(truth["settings"]["telemetry_ms"], rel=0.002)


def test_tour(capsys):
    """The tour goes through the whole job and ends well, in names that are short."""
    assert cli.run(["tour", "--no-wait"]) == 0
    out = capsys.readouterr().out
    for word in ("gyro.read", "caution", "differ: faster", "FAIL: gyro.read mean", "batch drive"):
        assert word in out
