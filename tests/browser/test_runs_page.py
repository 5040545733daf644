"""The page that puts any number of runs beside each other."""

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from looptime_dashboards.desk import Desk
from looptime_dashboards.pages.runs_page import many
from looptime_dashboards.view import View

from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Season
from looptime.errors import UsageError
from looptime.project import Project
from tests.browser.conftest import Site, Watched, key_of, running, waited
from tests.checks.build import recording

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
DRAWN = "#page .plot[data-key=change-map] .main-svg"


def log(read_us: int, version: str, day: int) -> str:
    rows = [f"# code_version: {version}\n# time: 2026-03-{day:02}\nloop,name,start_us,duration_us"]
    rows += [f"{k},gyro.read,{20_000 * k},{read_us}\n{k},drive,{20_000 * k + 9000},4000"
             for k in range(400 + day)]  # fmt: skip
    return "\n".join(rows) + "\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three logs: the gyro takes 2 ms in two of version 1, 3 ms in one of version 2."""
    for k, (us, version) in enumerate(((2000, "1"), (2000, "1"), (3000, "2"))):
        path = tmp_path / f"run_{k}.csv"
        path.write_text(log(us, version, k + 1), encoding="utf-8")
        os.utime(path, (time.time() - 90 + k, time.time() - 90 + k))
    return tmp_path


@pytest.fixture
def season_site(tmp_path: Path) -> Iterator[str]:
    """A folder with a season of eight runs and no log."""
    season = Season(tmp_path / "season", create=True)
    add_runs(season, [
        recording(k, loops=600, scale=1.2 if k > 5 else 1.0, robot="tray-carrier",
                  code_version=f"1.{k // 4}", time=f"2026-03-{k + 1:02}") for k in range(8)
    ])  # fmt: skip
    with running(tmp_path, project=Project()) as base:
        yield base


def test_chosen_logs_stand_beside_each_other(folder: Path) -> None:
    """The change of the third is 50 %, by hand; the phase and order are those of the logs."""
    desk = Desk(folder, Project())
    keys = [key_of(folder / f"run_{k}.csv") for k in range(3)]
    assert many(desk, View(run=keys[0]), None) == ([], [])
    (at,), left_out = waited(lambda: many(desk, View(run=keys[2], beside=(keys[0], keys[1])), None))
    assert left_out == []
    assert [f.name for f in at.facts] == ["run_0.csv", "run_1.csv", "run_2.csv"]
    read = next(line for line in at.lines if line.name == "gyro.read")
    assert read.percent == pytest.approx((0, 0, 50), abs=1e-6)


def test_a_log_that_cannot_be_read_leaves_the_others(folder: Path) -> None:
    """An empty file between two logs is named with its reason; alone it is an error."""
    (folder / "empty.csv").write_text("", encoding="utf-8")
    os.utime(folder / "empty.csv", (time.time() - 80, time.time() - 80))
    desk = Desk(folder, Project())
    keys = [key_of(folder / name) for name in ("run_0.csv", "empty.csv", "run_2.csv")]
    (at,), left_out = waited(lambda: many(desk, View(beside=tuple(keys)), None))
    assert [f.name for f in at.facts] == ["run_0.csv", "run_2.csv"]
    assert [(name.split()[0], "is empty" in why) for name, why in left_out] == [("empty.csv", True)]
    with pytest.raises(UsageError, match="is empty"):
        waited(lambda: many(desk, View(beside=(keys[1],)), None))


def test_logs_are_chosen_on_the_page(watch: Make, folder: Path) -> None:
    """All at a click, one less at another; the address holds them."""
    with running(folder) as base:
        shown = watch(base).open(f"/runs?run={key_of(folder / 'run_0.csv')}", "#page .note")
        assert "two or more" in shown.locator("#page .note").first.inner_text()
        shown.click("text=all of them")
        shown.wait_for_selector(DRAWN)
        assert len(parse_qs(urlsplit(shown.url).query)["beside"]) == 3
        shown.wait_for_selector(".ag-row")
        assert shown.locator(".ag-center-cols-container .ag-row").count() == 3
        shown.click("a[role=button][aria-label='beside it: run_2.csv']")
        shown.wait_for_function("() => document.querySelectorAll('.ag-center-cols-container "
                                ".ag-row').length === 2")  # fmt: skip
        shown.locator(".ag-row[row-index='1'] .ag-cell").first.click()
        shown.wait_for_selector("#page-title:has-text('Pace')")
        assert parse_qs(urlsplit(shown.url).query)["run"] == [key_of(folder / "run_1.csv")]
        shown.goto("about:blank")  # before its server goes
        shown.goto("about:blank")


def test_the_season_is_shown_and_queried(watch: Make, season_site: str) -> None:
    """All eight runs, then those of a version; a query of nonsense is told in its place."""
    from axe_playwright_python.sync_playwright import Axe

    shown = watch(season_site).open("/runs", DRAWN)
    assert "8 runs" in shown.locator("#page h2").first.inner_text()
    found = Axe().run(shown).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
    shown.fill("input[name=query]", "version=1.1")
    shown.click("button:has-text('Show')")
    shown.wait_for_selector("#page h2:has-text('4 runs')")
    shown.fill("input[name=query]", "colour=red")
    shown.click("button:has-text('Show')")
    shown.wait_for_selector(".field .error")
    assert "colour" in shown.locator(".field .error").inner_text()
    shown.set_viewport_size({"width": 390, "height": 800})
    shown.wait_for_function("() => document.documentElement.scrollWidth <= 390")
    shown.goto("about:blank")


def test_a_log_that_cannot_be_read_is_told(watch: Make, site: Site) -> None:
    """Its reason stands on the page, and it can be switched off there."""
    run, bad = site.keys["single_reads"], site.keys["bad"]
    shown = watch().open(f"/runs?run={run}&beside={bad}", "#page .note.error")
    assert "bad.csv" in shown.locator("#page .note.error").inner_text()
    shown.click("a[aria-pressed=true]:has-text('beside it')")
    shown.wait_for_selector("#page .note.error", state="detached")
