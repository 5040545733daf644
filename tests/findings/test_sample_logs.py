"""What the findings say of the sample logs, held against how those were recorded."""

import json

import pytest

import looptime
from looptime.findings import summarise
from looptime.project import Project
from looptime.samples import folder

LOGS = sorted(path.name.split(".")[0] for path in folder().glob("*.truth.json"))


@pytest.fixture(scope="module")
def project():
    """The project file of the sample logs."""
    return Project.load(folder() / "looptime.toml")


def look(name, project):
    """Truth and summary of one log, its warm-up kept so that the counts are of the whole."""
    truth = json.loads((folder() / f"{name}.truth.json").read_text(encoding="utf-8"))
    run = looptime.read(folder() / f"{name}.csv.gz", project=project)
    found = summarise(run, budget_ms=truth["settings"]["budget_ms"], keep_warmup=True)
    return truth, found


@pytest.mark.parametrize("name", LOGS)
def test_sample(name, project):
    """Telemetry's rhythm and the remedy worth having."""
    truth, found = look(name, project)
    _check_telemetry(truth["settings"], found)
    _check_remedies(name, truth["settings"], found)


def _check_telemetry(settings, found):
    rhythm = [r for r in found.recurrence.found if r.call == "telemetry.write"]
    slow_loop = settings["telemetry_ms"] < 3 * found.pace.period_ms.p50.value
    if slow_loop:  # in nearly every loop: no rhythm to be seen
        return
    assert rhythm[0].every_ms == pytest.approx(settings["telemetry_ms"], rel=0.02)
    assert "timetable" in {rule.name for rule in rhythm[0].could_be}


def _check_remedies(name, settings, found):
    codes = [f.code for f in found.findings]
    single = settings["encoders"] == "single" and settings["encoders_every"] == 1
    barging = settings["lock"] == "barging"  # two of its calls take nearly all of the loop
    if single and not barging:
        assert "batch_reads" in codes
    if not single:
        assert "batch_reads" not in codes or settings["encoders_every"] > 1
    crowded = settings["gyro"] == "thread" and settings["gyro_bus"] == "port"
    assert ("thread_wait" in codes) == crowded, (name, codes)
    if settings["encoders_every"] > 1:
        every = next(r for r in found.recurrence.found if r.together)
        assert every.every_loops == pytest.approx(settings["encoders_every"], abs=0.02)
