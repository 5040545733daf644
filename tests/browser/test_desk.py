"""What the desk works out for the pages; no browser is needed for it."""

from __future__ import annotations

import os
import shutil
import time
from dataclasses import replace
from pathlib import Path

import pytest
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages.changes import prediction
from looptime_dashboards.view import View

from looptime import read
from looptime.checks.gate import choose_baseline
from looptime.checks.scatter import run_scatter
from looptime.checks.season import Season
from looptime.project import Project
from looptime.samples import folder as samples
from looptime.views.figures_plan import plan_basis
from tests.browser.conftest import key_of


def test_a_plan_has_the_scatter_of_the_season(tmp_path: Path) -> None:
    """Between runs, a prediction assumes what the season's runs differ by, as `plan` does."""
    shutil.copy(samples() / "single_reads.csv.gz", tmp_path)
    path = tmp_path / "single_reads.csv.gz"
    os.utime(path, (time.time() - 60, time.time() - 60))
    project = Project.load(samples() / "looptime.toml")
    desk = Desk(tmp_path, project)
    view = View(run=key_of(path), change=("batch drive.*.read",))
    desk.prepare(view)
    found, _ = prediction(desk, view)
    run = read(path, project=project)
    past = choose_baseline(Season(samples() / "season"), [run], None, project.robot)
    expected = run_scatter(past)
    assert expected is not None
    assert found.run_sd_percent == pytest.approx(100 * expected)
    assert "(from the season)" in plan_basis(found)
    desk.project = replace(project, path=None)
    assert "(assumed)" in plan_basis(prediction(desk, replace(view, end=10.0))[0])
