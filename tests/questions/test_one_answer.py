"""One log gets one answer: the Python API, the command line and the dashboard say the same."""

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import pytest
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages import (
    changes_page,
    control_page,
    heading_page,
    readiness_page,
    sides_page,
)
from looptime_dashboards.pages.pieces import called, season
from looptime_dashboards.view import View

import looptime
from looptime import cli, questions
from looptime.errors import LooptimeError
from looptime.project import Project
from looptime.samples import folder
from looptime.views.files import json as views_json
from tests.browser.conftest import key_of, waited

SAMPLES = folder()
PROJECT = SAMPLES / "looptime.toml"
LOGS = sorted(SAMPLES.glob("*.csv.gz"))
#: Of these every ordinary run asks; of the others the full one.
FEW = ("single_reads", "gyro_thread_same_bus", "paced_50hz", "round")
# each question about a log's beginning: as good as one about the whole, and soon answered
END_S = 12.0
#: Of the log with phases, so much that one of them is whole.
ROUND_S = 30.0
T = TypeVar("T")


@pytest.fixture(scope="module")
def desk() -> Desk:
    """A dashboard over the sample logs."""
    return Desk(SAMPLES, Project.load(PROJECT))


def whole(ask: Callable[[], tuple[T, bool]], done: bool) -> T:
    """The better of two answers that a page gets: the one that it ends with."""
    while True:
        found, mark = waited(ask)
        if mark is done:
            return found
        time.sleep(0.05)


def same(document: dict[str, Any], path: Path) -> dict[str, Any]:
    """A document as JSON holds it, its log called by its name only; without the commands that
    look closer, which are for those who type them.
    """
    text = views_json.dumps({k: v for k, v in document.items() if k != "log"})
    text = text.replace(path.as_posix(), path.name)
    made: dict[str, Any] = json.loads(text)
    made.pop("schema_version", None)
    for finding in made.get("findings", []):
        del finding["command"]
    return made


def or_error(ask: Callable[[], Any]) -> dict[str, Any]:
    """An answer, or the sentence that says why there is none."""
    try:
        made: dict[str, Any] = ask().to_dict()
    except LooptimeError as error:
        return {"error": str(error)}
    return made


def said(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    """What a command prints as JSON, or the sentence that says why there is none."""
    code = cli.run([*map(str, words), "--json", "--project", str(PROJECT)])
    out, err = capsys.readouterr()
    if code == 2:
        return {"error": err.strip().removeprefix("looptime: ")}
    made: dict[str, Any] = json.loads(out)
    return made


def part_of(path: Path) -> tuple[str | None, float, list[str]]:
    """The phase and the end that are asked for, and the options for them.

    A page shows one phase at a time.
    """
    if path.name.startswith("round"):
        return "unattended", ROUND_S, ["--phase", "unattended", "--to", str(ROUND_S)]
    return None, END_S, ["--to", str(END_S)]


@pytest.mark.parametrize(
    "path",
    [
        pytest.param(p, id=p.name, marks=() if p.name.split(".")[0] in FEW else pytest.mark.slow)
        for p in LOGS
    ],
)
def test_three_front_ends_give_one_answer(
    path: Path, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    """Summary, slow loops, proposals, a plan, heading, controllers, comparison and gate."""
    phase, end, option = part_of(path)
    view = View(run=key_of(path), phase=phase or "", end=end, motion="steady:90")
    asked = questions.Asked(Project.load(PROJECT), phase=phase, to_s=end)
    run = asked.read(str(path)).runs[0]
    shown = desk.prepare(view)

    api = same(questions.summary(asked, run)[0].to_dict(), path)
    short = looptime.summarise(run, project=asked.project, phase=phase, to_s=end)
    typed = said(capsys, "summary", path, *option)["logs"][0]["runs"][0]
    assert api == same(short.to_dict(), path) == same(typed, path)
    assert api == same(shown.to_dict(), path)

    api = same(questions.slow(asked, run).to_dict(), path)
    assert api == same(said(capsys, "slow", path, *option), path)
    assert api["slow"]["threshold_ms"] == shown.slow.threshold_ms
    assert api["slow"]["count"] == shown.slow.count

    api = same(questions.suggestions(asked, run).to_dict(), path)
    assert api == same(said(capsys, "plan", path, *option), path)
    assert api == same(waited(lambda: changes_page.proposals(desk, view)).to_dict(), path)

    change = "cap telemetry.write ms=2"
    api = same(questions.plan(asked, run, [change]).to_dict(), path)
    assert api == same(said(capsys, "plan", path, "--change", change, *option), path)
    changed = view.but(change=(change,))
    told = whole(lambda: changes_page.prediction(desk, changed), False)
    assert api == same(told.to_dict(), path)

    api = same(questions.heading(asked, run, view.motion).to_dict(), path)
    assert api == same(said(capsys, "heading", path, "--motion", view.motion, *option), path)
    here = called(desk, view.run, desk.run(view))
    at = whole(lambda: heading_page.answer(desk, view, here, view.motion), True)
    assert api == same(at.to_dict(), path)

    api = same(questions.control(asked, run).to_dict(), path)
    assert api == same(said(capsys, "control", path, *option), path)
    assert api == same(waited(lambda: control_page.answer(desk, view)).to_dict(), path)

    other = LOGS[0] if path != LOGS[0] else LOGS[1]
    desk.open(View(run=key_of(other)))
    checked = asked.but(phase=None)  # a side's log may have no phases
    if phase is None and part_of(other)[0] is None:
        api = same(questions.compare(checked, [str(path)], [str(other)]).to_dict(), path)
        typed = said(capsys, "compare", path, "--against", other, *option)
        sides = ((view.run,), (key_of(other),))
        page, _ = waited(lambda: sides_page.comparison(desk, view, *sides))
        api, typed, paged = (
            same(d, other) for d in (api, same(typed, path), same(page.to_dict(), path))
        )
        assert api == typed == paged

    api = same(or_error(lambda: questions.gate(asked, [str(path)])), path)
    assert api == same(said(capsys, "gate", path, *option), path)
    paged = or_error(lambda: waited(lambda: readiness_page.verdict(desk, view, season(desk)))[0])
    assert api == same(paged, path)


def test_a_seasons_trends_are_one_answer(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """The season beside the project file, through the API, the command line and the dashboard."""
    asked = questions.Asked(Project.load(PROJECT))
    made, spread = questions.trends(questions.season(asked))
    api = json.loads(views_json.dumps({"trends": made, "robots": spread}))
    assert cli.run(["season", "trends", "--json", "--project", str(PROJECT)]) == 0
    typed = json.loads(capsys.readouterr().out)
    assert api == {key: typed[key] for key in api}
    store = season(desk)
    assert store is not None
    made, spread = questions.trends(store)
    assert api == json.loads(views_json.dumps({"trends": made, "robots": spread}))
    assert len(api["trends"]) >= 1
