"""What a report holds is what the other questions answer, each asked once."""

import dataclasses

import numpy as np
import pytest

from looptime.analysers.estimate import to_json
from looptime.notes import Note, add_note
from looptime.parsers.log import Log
from looptime.project import Project
from looptime.questions import Asked, compare, control, heading, suggestions, summary
from looptime.questions import planning as planning_module
from looptime.questions.reporting import against_first, report_on
from looptime.samples import folder as samples
from looptime.views.files.report import render_report
from tests.build_run import make_run

ASKED = Asked(Project.load(samples() / "looptime.toml"), to_s=20.0)


@pytest.fixture(scope="module")
def log() -> Log:
    """A sample log, read as the project says."""
    return ASKED.read(str(samples() / "single_reads.csv.gz"))


def test_every_answer_is_that_of_its_question(log: Log) -> None:
    """Plans, heading and controllers are those that the commands give, without the warm-up."""
    one, run = report_on(ASKED, log), log.runs[0]
    plans = suggestions(ASKED, run)
    assert one.plans is not None
    assert to_json(one.plans.proposed) == to_json(plans.proposed)
    assert one.plans.now_ms == plans.now_ms
    assert one.heading is not None
    asked = heading(ASKED, run)
    assert to_json(one.heading.stale) == to_json(asked.stale)
    assert to_json(one.heading.required) == to_json(asked.required)
    assert one.control is not None
    stated = control(ASKED, run, curve=False)
    assert one.control.to_dict() == {**stated.to_dict(), "warmup_loops": 0}  # cut off before
    assert [f.text for f in one.summaries[0].findings] == [
        f.text for f in summary(ASKED, run, predict=True)[0].findings
    ]
    assert not one.not_told


def test_remedies_are_looked_for_once(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of three phases one leads: the planner searches once, and that is what the page shows."""
    run = make_run(
        [10.0 + k % 3 for k in range(900)], [("gyro.read", 1, 4), ("arm.write", 6, 2)],
        {"gyro.read": "sensor read", "arm.write": "actuator write"}, source="a.csv",
        phases=["unattended"] * 200 + ["operator"] * 500 + ["standby"] * 200,
    )  # fmt: skip
    searched = []
    search = planning_module.suggest

    def counted(*given, **more):
        searched.append(given[0])
        return search(*given, **more)

    monkeypatch.setattr(planning_module, "suggest", counted)
    one = report_on(Asked(), Log("a.csv", (run,)))
    assert len(searched) == 1
    assert one.plans is not None
    page = render_report([one])
    for plan in one.plans.proposed[:1]:
        assert f"{plan.say}." in page


def test_what_cannot_be_told_says_why() -> None:
    """Too few loops to be played again: the report says so where the remedies would stand."""
    run = make_run([10.0] * 4, [("gyro.read", 1, 4)], {"gyro.read": "sensor read"}, source="a.csv")
    one = report_on(Asked(), Log("a.csv", (run,)))
    reasons = dict(one.not_told)
    assert one.plans is None
    assert f"Can't tell: {reasons['remedies']}" in render_report([one]).replace("&#x27;", "'")


def test_a_second_log_is_held_against_the_first(log: Log) -> None:
    """The verdict is that of `compare`; one log alone is held against nothing."""
    after = ASKED.read(str(samples() / "batched_reads.csv.gz"))
    both = [report_on(ASKED, log), report_on(ASKED, after)]
    found = against_first(ASKED, both)
    assert found is not None
    ((path, compared),) = found.compared
    stated = compare(ASKED, [ASKED.part(log.runs[0])], [ASKED.part(after.runs[0])])
    assert path == after.path
    assert not isinstance(compared, str)
    assert compared.sentences == stated.sentences
    assert f">{stated.verdict}</td>" in render_report(both, against=found)
    assert against_first(ASKED, both[:1]) is None


def test_logs_that_cannot_be_held_against_each_other_are_told_side_by_side(log: Log) -> None:
    """A log of three loops leaves the first one's figures, and a reason in place of a verdict."""
    one, run = report_on(ASKED, log), log.runs[0]
    empty = dataclasses.replace(log, path="empty.csv", runs=(run.select(np.arange(len(run)) < 3),))
    found = against_first(ASKED, [one, report_on(ASKED.whole, empty)])
    assert found is not None
    ((path, compared),) = found.compared
    assert path == "empty.csv"
    page = render_report([one, report_on(ASKED.whole, empty)], against=found)
    said = "not compared" if isinstance(compared, str) else compared.verdict
    assert said in ("not compared", "can't tell")
    assert f">{said}</td>".replace("'", "&#x27;") in page


def test_notes_stand_with_what_they_are_about(tmp_path) -> None:
    """Notes on this log are shown, those on another are not; a damaged line is named."""
    run = make_run([10.0] * 50, [("gyro.read", 1, 4)], source="a.csv")
    path = tmp_path / "a.csv"
    add_note(tmp_path, Note("a.csv", "new <plug>", loop=7, written="2026-03-01T10:00"))
    add_note(tmp_path, Note("b.csv", "other log"))
    with (tmp_path / "looptime-notes.csv").open("a", encoding="utf-8") as file:
        file.write(",,,,,nobody,\r\n")
    page = render_report([report_on(Asked(), Log(str(path), (run,)))])
    assert "new &lt;plug&gt;" in page
    assert "loop 7" in page
    assert "other log" not in page
    assert "looptime-notes.csv:4: names no log" in page


@pytest.mark.parametrize(
    ("tolerance", "judged"),
    [({}, set()), ({"tolerance_deg": 5.0}, {"tolerance_deg"}),
     ({"tolerance_mm": 40.0}, {"tolerance_mm"})],
)  # fmt: skip
def test_a_rate_is_looked_for_where_a_tolerance_is_stated(log: Log, tolerance, judged) -> None:
    """In degrees or in millimetres; without one no other pace is worked out for the report."""
    stated = dataclasses.replace(
        ASKED.project.heading, **{"tolerance_deg": None, "tolerance_mm": None, **tolerance}
    )
    project = dataclasses.replace(ASKED.project, heading=stated)
    one = report_on(dataclasses.replace(ASKED, project=project), log)
    assert one.heading is not None
    assert bool(one.heading.curve) is bool(judged)
    assert set(one.heading.required) == judged
