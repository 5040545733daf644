"""The pages of controllers and wheels, and of what columns are taken for."""

import os
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages.control_page import answer
from looptime_dashboards.view import View

from looptime import Project, read_log
from looptime.parsers.columns_taken import columns_taken
from looptime.questions.asked import Asked
from looptime.questions.steering import control
from looptime.samples import folder as samples
from tests.browser.conftest import Site, Watched, key_of, running, waited

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]


def test_the_page_of_controllers_says_what_the_command_says(watch: Make, site: Site) -> None:
    """The sentence of the page is that of the answer for the whole run."""
    from looptime.views.text.control_answer import control_sentence

    project = Project.load(samples() / "looptime.toml")
    run = read_log(site.folder / "single_reads.csv.gz", project=project).runs[0]
    wanted = control_sentence(control(Asked(project), run))
    shown = watch().open(f"/control?run={site.keys['single_reads']}", "[data-key=answer]")
    assert shown.locator("[data-key=answer] h2").inner_text() == wanted
    shown.wait_for_selector("#page .js-plotly-plot .main-svg")


def test_without_controllers_the_page_says_how_to_state_them(tmp_path: Path) -> None:
    """Nothing is worked out; the two tables of the project file are named."""
    from looptime_dashboards.pages.control_page import body

    parts, wait = body(Desk(tmp_path, Project()), View(run="0" * 16))
    assert "[[controller]]" in parts[0].children
    assert not wait


def test_columns_are_told_with_a_choice(watch: Make, tmp_path: Path, site: Site) -> None:
    """Unit and reason of a column stand in the table; another layout is a click away."""
    shown = watch().open(f"/logs?run={site.keys['single_reads']}", "#page .ag-row")
    shown.click("text=what its columns are taken for")
    shown.wait_for_selector("[data-key=columns] table")
    row = shown.locator("[data-key=columns] tr:has-text('duration_us')").inner_text()
    assert row.split("\t")[3:5] == ["duration", "us"]
    shown.click("#page .choice:has-text('edges')")
    shown.wait_for_selector("#page .note.error")
    shown.click("#page .choice:has-text('as it is understood')")
    shown.wait_for_selector("[data-key=columns] table")


def test_what_states_the_columns_can_be_copied_from_the_page(watch: Make, tmp_path: Path) -> None:
    """The text as a reader copies it is TOML, and states what the command would write."""
    path = tmp_path / "log.csv"
    path.write_text("time_ms,gyro_ms\n" + "".join(f"{9 * k},{2 + k % 3}\n" for k in range(99)))
    os.utime(path, (time.time() - 60, time.time() - 60))
    with running(tmp_path) as base:
        shown = watch(base).open(f"/columns?run={key_of(path)}", "[data-key=stated] pre")
        copied = shown.locator("[data-key=stated] pre").inner_text()
        shown.close()  # before its server goes
    assert copied.strip() == columns_taken(path).stated().strip()
    assert tomllib.loads(copied)["columns"][0]["roles"] == ["clock ms", "part ms"]


def test_the_page_of_a_bad_log_leads_to_its_columns(watch: Make, site: Site) -> None:
    """Beside the reason stands the way on."""
    shown = watch().open(f"/?run={site.keys['bad']}", "#page .note.error")
    shown.click("text=what its columns are taken for")
    shown.wait_for_selector("#page-title:has-text('Columns')")
    shown.wait_for_selector("#page .note.error")


def test_remedies_that_are_on_hold_for_the_controllers_too(tmp_path: Path) -> None:
    """The answer with a change is that for the predicted run, and says so."""
    path = tmp_path / "single_reads.csv.gz"
    path.write_bytes((samples() / path.name).read_bytes())
    os.utime(path, (time.time() - 60, time.time() - 60))
    desk = Desk(tmp_path, Project.load(samples() / "looptime.toml"))
    view = View(run=key_of(path), change=("drop telemetry.write",))
    desk.prepare(view)
    at = waited(lambda: answer(desk, view))
    assert at.notes[0] == "predicted, with drop telemetry.write"
    assert at.rate_hz > 1e9 / desk.run(view).loop_columns.period_ns.mean()
