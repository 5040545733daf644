"""What the desk works out for the pages; no browser is needed for it."""

import gc
import os
import shutil
import time
import weakref
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from looptime_dashboards import desk as desk_module
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages import call_page, heading_page, readiness_page
from looptime_dashboards.pages.changes_page import prediction
from looptime_dashboards.pages.common import used
from looptime_dashboards.view import View
from looptime_dashboards.work import Pending

from looptime import cli, read
from looptime.analysers import Summary, part
from looptime.checks.gate.gate import choose_baseline
from looptime.checks.recording.scatter import run_scatter
from looptime.checks.season.season import Season
from looptime.planner import Prediction
from looptime.project import Project
from looptime.samples import folder as samples
from looptime.views.figures.plan_figures import plan_basis
from tests.browser.conftest import key_of, waited
from tests.build_run import slow_at_first


def predicted(desk: Desk, view: View) -> Prediction:
    """A prediction, however long it takes."""
    return waited(lambda: prediction(desk, view)[0])


def test_a_plan_has_the_scatter_of_the_season(tmp_path: Path) -> None:
    """Between runs, a prediction assumes what the season's runs differ by, as `plan` does."""
    shutil.copy(samples() / "single_reads.csv.gz", tmp_path)
    path = tmp_path / "single_reads.csv.gz"
    os.utime(path, (time.time() - 60, time.time() - 60))
    project = Project.load(samples() / "looptime.toml")
    desk = Desk(tmp_path, project)
    view = View(run=key_of(path), change=("batch drive.*.read",))
    desk.prepare(view)
    found = predicted(desk, view)
    run = read(path, project=project)
    past = choose_baseline(Season(samples() / "season"), [run], None, project.robot)
    expected = run_scatter(past)
    assert expected is not None
    assert found.run_sd_percent == pytest.approx(100 * expected)
    assert "(from the season)" in plan_basis(found)
    desk.project = replace(project, path=None)
    assert "(assumed)" in plan_basis(predicted(desk, replace(view, end=10.0)))


def long_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Desk, View]:
    """A desk with a log of 3,000 loops that counts as long."""
    monkeypatch.setattr(desk_module, "_LONG", 500)
    path = tmp_path / "log.csv"
    path.write_text("time_us,x\n" + "".join(f"{k * 10_000},1\n" for k in range(3001)), "utf-8")
    os.utime(path, (time.time() - 60, time.time() - 60))
    desk, view = Desk(tmp_path, Project()), View(run=key_of(path))
    desk.open(view)
    return desk, view


def settled(desk: Desk, view: View) -> Summary:
    """The full summary of a view, however long it takes."""
    while True:
        at, sampled = waited(lambda: desk.summary(view))
        if not sampled:
            return at
        time.sleep(0.02)


def test_few_summaries_of_long_parts_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of seven long parts looked at, the last three stay, and no others are held by anything."""
    desk, view = long_run(tmp_path, monkeypatch)
    made = []
    for k in range(7):
        at = settled(desk, view.but(start=float(k)))
        desk.picture(at, "title", lambda k=k: f"part {k}")
        made.append(weakref.ref(at))
    del at
    desk.summary(view.but(start=6.0))
    gc.collect()
    assert [one() is not None for one in made] == [False] * 4 + [True] * 3


def test_a_picture_belongs_to_its_summary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawn once for a summary, anew for another, also where that one has the id of the first."""
    desk, view = long_run(tmp_path, monkeypatch)
    at = settled(desk, view)
    assert desk.picture(at, "title", lambda: "first") == "first"
    assert desk.picture(at, "title", lambda: "again") == "first"
    gone = desk._drawn.pop(id(at))
    other = settled(desk, view.but(start=1.0))
    desk._drawn[id(other)] = gone
    assert desk.picture(other, "title", lambda: "other") == "other"


def test_what_takes_much_memory_is_done_one_at_a_time(tmp_path: Path) -> None:
    """Two threads that ask at once are served one after the other."""
    desk, busy, most = Desk(tmp_path, Project()), 0, 0

    def make() -> int:
        nonlocal busy, most
        busy += 1
        most = max(most, busy)
        time.sleep(0.05)
        busy -= 1
        return 7

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(lambda _: desk.heavily(make), range(4))) == [7] * 4
    assert most == 1


def test_the_heading_page_leaves_the_warm_up_out(tmp_path: Path) -> None:
    """Long loops at the start are not in the heading's figures, unless the warm-up is kept."""
    path = tmp_path / "log.csv"
    path.write_text(slow_at_first(2000, 200), encoding="utf-8")
    os.utime(path, (time.time() - 60, time.time() - 60))
    desk, view = Desk(tmp_path, Project()), View(run=key_of(path), motion="steady:90")
    cut = desk.prepare(view).warmup.loops
    assert 150 <= cut <= 250
    fresh = Desk(tmp_path, Project())
    fresh.open(view)
    assert fresh.warmup_loops(view) == cut  # the same where no summary is at hand
    for keep in ("", "keep"):
        shown = view.but(warmup=keep)
        run = desk.run(shown)
        settled, left_out = heading_page.settled(desk, shown, run)
        used = part(run, None, settled.start, settled.end)
        assert left_out == len(run) - len(used) == (0 if keep else cut)
        full = None
        while not full:
            at, full = heading_page.answer(desk, shown, run, "steady:90")
            time.sleep(0.02)
        assert at.warmup_loops == left_out
        assert at.loops_used == len(used) - 1  # the last reading is not used
        said = heading_page._basis(at, full)
        assert ("warm-up and left out" in said) == (not keep)


def test_what_a_call_made_slow_is_told_by_the_work_of_a_paced_loop(tmp_path: Path) -> None:
    """Paced to 20 ms, a check takes 5 ms more in one loop of ten: its loops take 14 ms of work."""
    check = [5.0 if k % 10 == 3 else 0.1 for k in range(600)]
    rows = "".join(f"{20 * k},9.0,{ms},{11 - ms}\n" for k, ms in enumerate(check))
    path = tmp_path / "log.csv"
    path.write_text("time_ms,work_ms,check_ms,pacing_wait_ms\n" + rows, encoding="utf-8")
    os.utime(path, (time.time() - 60, time.time() - 60))
    desk, view = Desk(tmp_path, Project()), View(run=key_of(path), call="check")
    desk.open(view)
    settled(desk, view)
    parts, _ = call_page.body(desk, view)
    told = str(parts)
    assert "The slowest, by their work" in told
    assert ": 14.0 ms" in told
    assert ": 20.0 ms" not in told


def test_what_bounds_every_figure_is_said_on_the_page(tmp_path: Path) -> None:
    """Times whose unit only their size suggests: the page says so as the command does."""
    path = tmp_path / "log.csv"
    path.write_text("".join(f"{20 * k + k % 3}\n" for k in range(300)), encoding="utf-8")
    os.utime(path, (time.time() - 60, time.time() - 60))
    desk, view = Desk(tmp_path, Project()), View(run=key_of(path))
    desk.open(view)
    said = str(used(settled(desk, view), sampled=False))
    assert "If the times are in ms, as their size suggests: --unit says it." in said


def test_readiness_of_one_phase_beside_a_season_of_whole_runs(tmp_path: Path) -> None:
    """Limits and checklist are told of the phase, and why it is not held against the baseline."""
    project = tmp_path / "looptime.toml"
    project.write_text("[limits]\nperiod_p99_ms = 25.0\n", encoding="utf-8")
    phases = ["standby"] * 120 + ["transport"] * 480
    for k in range(7):
        log = tmp_path / f"run_{k}.csv"
        rows = "".join(
            f"{20 * n + n * (k + 3) % 11 % 4},{phase}\n" for n, phase in enumerate(phases)
        )
        log.write_text(f"# robot: carrier\n# battery: {k}\ntime_ms,phase\n{rows}", "utf-8")
        os.utime(log, (time.time() - 60, time.time() - 60))
    given = ["--project", str(project)]
    assert (
        cli.run(["season", "add", *(str(tmp_path / f"run_{k}.csv") for k in range(6)), *given]) == 0
    )
    assert cli.run(["season", "baseline", "last=6", *given]) == 0
    desk = Desk(tmp_path, Project.load(project))
    view = View(run=key_of(tmp_path / "run_6.csv"), phase="transport")
    desk.prepare(view)
    waited(lambda: desk.run(view))

    def made() -> list[object]:
        parts, wait = readiness_page.body(desk, view)
        if wait:
            raise Pending("the page", 0.0)
        return parts

    told = str(waited(made))
    assert "Ready" in told
    assert "run_6.csv lacks standby; keep runs of one phase" in told
    assert "Before a round" in told
