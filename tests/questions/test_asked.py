"""With what questions are asked, and that each can be had under its name."""

import pickle
from importlib import import_module
from pathlib import Path

import pytest

import looptime
from looptime import questions
from looptime.project import Heading, Project
from looptime.questions import Asked


def test_every_question_has_its_name() -> None:
    """Each can be called from the package, also once all of its modules are loaded."""
    folder = Path(questions.__file__).parent
    for module in folder.glob("[!_]*.py"):
        import_module(f"looptime.questions.{module.stem}")
    assert [name for name in questions.__all__ if not callable(getattr(questions, name))] == []
    assert looptime.Asked is Asked
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = questions.nothing  # type: ignore[attr-defined]


def test_what_is_given_outranks_the_project() -> None:
    """The budget and the read's instant are the project's where nothing else is said."""
    project = Project(budget_ms=20.0, heading=Heading(read_instant="end"))
    assert (Asked(project).budget_ms, Asked(project).read_instant) == (20.0, "end")
    assert Asked(project, budget_given_ms=25.0).budget_ms == 25.0
    assert (Asked().budget_ms, Asked().read_instant) == (None, "start")


def test_options_lead_to_the_same_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As they were typed; a project file that would be found is not named, the phase neither."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "looptime.toml").write_text("", "utf-8")
    (tmp_path / "other.toml").write_text("", "utf-8")
    near, other = Project.load(tmp_path / "looptime.toml"), Project.load("other.toml")
    assert Asked(near, phase="transport").options == ()
    asked = Asked(
        other, unit="ms", loop_call="loop", from_s=1.5, to_s=20.0, where=("bench=2", "x!=1"),
        budget_given_ms=25.0, keep_warmup=True, stamped="end", rate_hz=50.0, by="tag",
    )  # fmt: skip
    assert dict(option for option in asked.options if len(option) == 2) == {
        "--project": "other.toml", "--unit": "ms", "--loop-call": "loop", "--by": "tag",
        "--stamped": "end", "--rate-hz": "50", "--budget-ms": "25", "--from": "1.5", "--to": "20",
        "--where": "x!=1",
    }  # fmt: skip
    assert ("--where", "bench=2") in asked.options
    assert ("--keep-warmup",) in asked.options


def test_it_can_be_sent_to_another_process() -> None:
    """A season's logs are read in several processes."""
    asked = Asked(Project(budget_ms=20.0), phase="transport")
    assert pickle.loads(pickle.dumps(asked)) == asked
    assert pickle.loads(pickle.dumps(asked.parts)).__self__ == asked
    assert asked.whole == Asked(Project(budget_ms=20.0))


def test_the_season_lies_where_it_is_said_or_beside_the_project(tmp_path: Path) -> None:
    """The folder that is named, else `season` beside the project file, else here."""
    (tmp_path / "looptime.toml").write_text("", "utf-8")
    project = Project.load(tmp_path / "looptime.toml")
    assert Asked(project, season="other").season_folder() == Path("other")
    assert Asked(project).season_folder() == tmp_path / "season"
    assert Asked().season_folder() == Path("season")
