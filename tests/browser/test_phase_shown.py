"""Which phase the pages look at when none was chosen yet; no browser is needed for it."""

import os
import time
from dataclasses import replace
from pathlib import Path

import pytest
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages import sides_page as sides
from looptime_dashboards.view import View

from looptime.project import Project
from tests.browser.conftest import key_of, waited


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (["", *["standby"] * 30, *["operator"] * 60], ("operator", "standby")),
        (["", *["operator"] * 60], ("operator",)),
        (["operator"] * 60, ()),
    ],
)
def test_loops_without_a_phase_are_not_what_is_shown(
    tmp_path: Path, words: list[str], offered: tuple[str, ...]
) -> None:
    """The phase that stands for work is looked at, not the loop before the first word of one."""
    path = tmp_path / "log.csv"
    rows = [
        f"{k},update,{k * 10_000},{9_000 + 7 * (k % 5)},{word}"
        for k, word in enumerate([*words, words[-1]])
    ]
    text = "\n".join(["loop,name,start_us,duration_us,phase", *rows]) + "\n"
    path.write_text(text, encoding="utf-8")
    os.utime(path, (time.time() - 60, time.time() - 60))
    desk = Desk(tmp_path, Project())
    view = View(run=key_of(path))
    run = waited(lambda: desk.run(view))
    assert desk.phases(view) == offered
    assert desk.phase(view) == (offered[0] if offered else None)
    assert len(desk.prepare(view).run) == 60
    (judged,) = sides.runs_of(desk, view, (view.run,))
    assert len(judged) == (60 if offered else len(run))


def test_the_phase_and_the_warm_up_that_are_asked_for_are_looked_at(tmp_path: Path) -> None:
    """Another phase by its name, the usual one for a name that is not there, warm-up if kept."""
    path = tmp_path / "log.csv"
    words = ["standby"] * 2400 + ["operator"] * 2400
    rows = [f"{k},update,{k * 10_000},{9_000 + 7 * (k % 5)},{word}" for k, word in enumerate(words)]
    text = "\n".join(["loop,name,start_us,duration_us,phase", *rows]) + "\n"
    path.write_text(text, encoding="utf-8")
    os.utime(path, (time.time() - 60, time.time() - 60))
    desk = Desk(tmp_path, Project())
    view = View(run=key_of(path))
    desk.library.log(view.run, 60)
    assert desk.phase(view) == "operator"
    assert desk.phase(replace(view, phase="standby")) == "standby"
    assert desk.phase(replace(view, phase="none of them")) == "operator"
    kept = [desk.asked(replace(view, warmup=w)).keep_warmup for w in ("", "keep")]
    assert kept == [False, True]
