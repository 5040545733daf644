"""The drafted project file is one that the project reader takes, and labels as guessed."""

import pytest

from looptime.analysers.starter_project import draft_project
from looptime.analysers.summary import summarise
from looptime.project import Project
from looptime.schema import CallName
from tests.build_run import make_run
from tests.two_threads import Job, play


def test_round_trip(tmp_path):
    """Odd names match themselves; kinds, buses and items survive."""
    odd = ['a*b[1]?"q"', "wall.read", "\N{MICRO SIGN}\\x", "sensors.burst.read"]
    run = make_run(
        [20] * 30,
        [(name, 2 * k, 1) for k, name in enumerate(odd)],
        {
            odd[0]: {"kind": "actuator write", "bus": "port"},
            odd[1]: {"kind": "sensor read", "kind_from": "guessed", "items": 3},
        },
    )
    path = tmp_path / "looptime.toml"
    path.write_text(draft_project(run), encoding="utf-8")
    project = Project.load(path)
    assert {rule.match for rule in project.calls} >= {"wall.read"}
    assert project.label(CallName(odd[0])).bus == "port"
    assert project.label(CallName(odd[1])).items == 3
    assert project.label(CallName(odd[2])).kind == "other"
    assert len(project.calls) == 4
    assert project.budget_ms == pytest.approx(22)  # the rate that it keeps to, and a tenth
    over = summarise(run, budget_ms=project.budget_ms).pace.overruns
    assert over.count == 0


def test_no_calls(tmp_path):
    """A log of bare stamps gives a draft without calls."""
    path = tmp_path / "looptime.toml"
    path.write_text(draft_project(make_run([9, 11, 10])), encoding="utf-8")
    assert Project.load(path).calls == ()


def test_a_bus_that_the_times_show_is_drafted(tmp_path):
    """Calls that wait for a thread are put on one bus with it, with the lock as it was seen."""
    played = play(
        {
            "main": lambda rng: [
                Job("enc.read", 1.2, "a"),
                Job("enc.again.read", 1.2, "a"),
                Job("work", 3.0 + rng.uniform(0, 0.5)),
            ],
            "gyro": lambda rng: [Job("gyro.read", 2.6, "a", gap_ms=rng.uniform(0.5, 3))],
        },
        500,
    )
    path = tmp_path / "looptime.toml"
    path.write_text(draft_project(played.run()), encoding="utf-8")
    project = Project.load(path)
    on = {name: project.label(CallName(name)).bus for name in ("enc.read", "gyro.read", "work")}
    assert on == {"enc.read": "shared with gyro.read", "gyro.read": "shared with gyro.read",
                  "work": None}  # fmt: skip
    assert project.buses["shared with gyro.read"].lock == "fair"


def test_a_wait_that_its_lengths_show_is_drafted(tmp_path):
    """Loops of 12 ms whose last call takes what is left: the draft keeps the headroom known."""
    work = [5 + k % 7 / 3 for k in range(200)]
    run = make_run(
        [12] * 200, lambda k: [("regler", 0, work[k]), ("auf takt", work[k], 12 - work[k])]
    )
    path = tmp_path / "looptime.toml"
    path.write_text(draft_project(run), encoding="utf-8")
    project = Project.load(path)
    assert [project.label(CallName(name)).kind for name in ("regler", "auf takt")] == [
        "other", "pacing"
    ]  # fmt: skip
    labelled = run.with_names(tuple(map(project.label, run.names)))
    headroom = [summarise(one).pace.headroom_ms["p50"].value for one in (run, labelled)]
    assert headroom == [pytest.approx(12 - sorted(work)[99])] * 2
