"""Changes, before and after, heading and readiness in a real browser, with two sample logs."""

import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from looptime_dashboards.view import read_view

from looptime import Project, cli, read_log
from looptime.checks.compare.compare import compare
from looptime.checks.gate.gate import choose_baseline
from looptime.checks.recording.recording import Settings
from looptime.checks.season.season import Season
from looptime.samples import folder as samples
from tests.browser.conftest import LOGS, Site, Watched, key_of, pick_run, running

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
DRAWN = "#page .js-plotly-plot .main-svg"
CHANGE = "batch drive.*.read"


def address(path: str, site: Site, *more: tuple[str, str]) -> str:
    """A page about the first log."""
    return f"{path}?{urlencode([('run', site.keys[LOGS[0]]), *more])}"


def titles(page: Any) -> str:
    """What the cards of a page say, once nothing is on its way any more."""
    page.wait_for_selector(DRAWN)
    page.wait_for_selector("#page .note:has-text('...')", state="detached")
    page.wait_for_selector("text=/on (its|their) way|Predicting|Working it out/",
                           state="detached")  # fmt: skip
    return "\n".join(page.locator("#page h2").all_inner_texts())


@pytest.mark.parametrize("log", LOGS)
@pytest.mark.parametrize("path", ["/changes", "/sides", "/heading", "/readiness"])
def test_each_page_opens_with_each_log(watch: Make, site: Site, path: str, log: str) -> None:
    """Something is shown, no error is said, and the console stays quiet."""
    shown = watch().open(f"{path}?run={site.keys[log]}", "#page .card")
    assert shown.locator("#page .note.error").count() == 0


def test_a_remedy_is_switched_on_and_off(watch: Make, site: Site) -> None:
    """A written remedy goes into the address, is predicted, and can be switched off again."""
    shown = watch().open(address("/changes", site))
    shown.fill("input[name=change]:not([type=hidden])", CHANGE)
    shown.click("button:has-text('Add')")
    said = titles(shown)
    assert parse_qs(urlsplit(shown.url).query)["change"] == [CHANGE]
    assert "The loop gets faster" in said
    assert "at first use" in said
    assert "Bus" in said
    shown.click(f"a[role=button]:has-text('{CHANGE}') >> nth=0")
    shown.wait_for_selector(DRAWN, state="detached")
    assert "change" not in parse_qs(urlsplit(shown.url).query)


def test_the_prediction_goes_on_to_heading(watch: Make, site: Site) -> None:
    """The heading page keeps the remedies and marks what they do."""
    shown = watch().open(address("/changes", site, ("change", CHANGE)), DRAWN)
    shown.click("text=what it means for heading")
    shown.wait_for_selector("text=With the changes")
    said = titles(shown)
    assert urlsplit(shown.url).path == "/heading"
    assert read_view(urlsplit(shown.url).query).change == (CHANGE,)
    assert "with the changes" in said
    assert "loops a second" in said


def test_another_run_takes_no_remedies_along(watch: Make, site: Site) -> None:
    """A change may name calls that the other run does not have: the picker takes it out."""
    shown = watch().open(address("/changes", site, ("change", CHANGE)), DRAWN)
    pick_run(shown, LOGS[1])
    shown.wait_for_url(f"**run={site.keys[LOGS[1]]}**")
    assert "change" not in parse_qs(urlsplit(shown.url).query)


def test_a_remedy_that_cannot_be_is_said_and_can_be_taken_out(watch: Make, site: Site) -> None:
    """One sentence says what is wrong, and the switch is still there."""
    shown = watch().open(address("/changes", site, ("change", "drop nothing.here")))
    shown.wait_for_selector("#page .note.error")
    assert shown.locator("#page h2").first.inner_text() == "This remedy cannot be"
    assert "no call matches 'nothing.here'" in shown.inner_text("#page .note.error")
    shown.click("a[role=button]:has-text('drop nothing.here') >> nth=0")
    shown.wait_for_selector("#page .note.error", state="detached")


def test_two_runs_are_held_against_each_other(watch: Make, site: Site) -> None:
    """The verdict is the one that the checks give, in their words."""
    project = Project.load(samples() / "looptime.toml")
    runs = [read_log(site.folder / f"{n}.csv.gz", project=project).runs[0] for n in LOGS]
    settings = Settings(budget_ms=project.budget_ms, serious_ms=project.serious_ms)
    past = choose_baseline(Season(samples() / "season"), runs, None, project.robot)
    expected = compare([runs[1]], [runs[0]], settings=settings, history=past)
    assert expected.history
    shown = watch().open(address("/sides", site))
    shown.click(f"tr:has-text('{LOGS[1]}') a[role=button] >> nth=0")
    said = titles(shown)
    assert parse_qs(urlsplit(shown.url).query)["before"] == [site.keys[LOGS[1]]]
    assert said.lower().startswith(expected.verdict)
    page = shown.inner_text("#page")
    assert all(sentence.replace("+-", "\u00b1") in page for sentence in expected.sentences)
    assert f"{expected.history} runs of the season" in page


def test_a_motion_and_a_tolerance_are_set(watch: Make, site: Site) -> None:
    """Both go into the address, and the title says the rate that the tolerance takes."""
    shown = watch().open(address("/heading", site))
    titles(shown)
    shown.fill("input[name=motion]", "steady:90")
    shown.fill("input[name=deg]", "1.5")
    shown.click("button:has-text('Apply')")
    shown.wait_for_selector("h2:has-text('1.5 deg')")
    view = read_view(urlsplit(shown.url).query)
    assert (view.motion, view.deg) == ("steady:90", 1.5)
    shown.locator("summary:has-text('How it was computed')").first.click()
    assert "Even loops" in shown.inner_text("#page")


def test_a_project_of_another_robot_is_told_on_its_pages(
    watch: Make, tmp_path: Path, site: Site
) -> None:
    """With the nearest names; no controller can be looked at, and what to do is said."""
    made = Path(shutil.copy(site.folder / "single_reads.csv.gz", tmp_path))
    os.utime(made, (time.time() - 60, time.time() - 60))
    (tmp_path / "looptime.toml").write_text(
        '[heading]\nread_call = "gyro.raed"\n[[controller]]\nname = "mast"\n'
        'read_call = "mast.raed"\nwrite_call = "mast.write"\n', encoding="utf-8",
    )  # fmt: skip
    with running(tmp_path, project=Project.load(tmp_path / "looptime.toml")) as base:
        shown = watch(base).open(f"/control?run={key_of(made)}", "#page .note.error")
        said = shown.inner_text("#page")
        shown.goto("about:blank")  # before its server goes
    assert "[heading] read_call 'gyro.raed' (nearest: 'gyro.read')" in said
    assert "the nearest is 'mast.read': name the log's own calls under [[controller]]" in said


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A server with a season and a log of it."""
    folder = tmp_path_factory.mktemp("season")
    shutil.copytree(samples() / "season", folder / "season")
    for name in ("run_12", "changed"):
        made = shutil.copy(samples() / "season_runs" / f"{name}.csv.gz", folder)
        os.utime(made, (time.time() - 60, time.time() - 60))  # else it counts as being written
    keys = {p.name.split(".")[0]: key_of(Path(p)) for p in folder.glob("*.gz")}
    (folder / "looptime.toml").write_text("[limits]\nperiod_p99_ms = 20.0\n", encoding="utf-8")
    with running(folder, project=Project.load(folder / "looptime.toml")) as base:
        yield Site(base, folder, keys)


def test_readiness_shows_limits_baseline_and_season(watch: Make, season: Site) -> None:
    """A limit of 20 ms fails, the baseline is named, and the season's figures are drawn."""
    shown = watch(season.base).open(f"/readiness?run={season.keys['run_12']}", DRAWN)
    said = titles(shown)
    assert said.startswith("Not ready")
    assert "period p99" in said
    assert "What moved over the season" in said
    page = shown.inner_text("#page")
    assert "Held against the season's baseline" in page
    checks = shown.locator(
        "#page [data-key=checklist] tbody tr, #page table:has-text('battery') tr"
    )
    told = "\n".join(checks.all_inner_texts())
    assert all(f"{what}\tholds" in told for what in ("log", "calls", "timeouts", "sensors"))
    assert "limits\tlook at it\tbeyond the limit: period p99" in told
    assert str(season.folder) not in page


@pytest.fixture
def even(tmp_path: Path) -> Iterator[Site]:
    """A log of loops of 20 ms and one of stalls in every tenth, with a limit that both keep.

    Asked for before `watch`, so that pages are left before their server ends.
    """
    made = {"even": [0] * 400, "stalls": [15 * (k % 10 == 9) for k in range(400)]}
    for name, more in made.items():
        at, lines = 0, ["loop,name,start_ms,duration_ms\n"]
        for k, extra in enumerate(more):
            work = 3 + 0.1 * (k * 7 % 5) + extra
            lines.append(f"{k},gyro.read,{at:.3f},{work:.3f}\n")
            at += 20 + extra
        (tmp_path / f"{name}.csv").write_text("".join(lines), encoding="utf-8")
        os.utime(tmp_path / f"{name}.csv", (time.time() - 60,) * 2)
    (tmp_path / "looptime.toml").write_text("[limits]\nperiod_max_ms = 90.0\n", encoding="utf-8")
    keys = {name: key_of(tmp_path / f"{name}.csv") for name in made}
    with running(tmp_path, project=Project.load(tmp_path / "looptime.toml")) as base:
        yield Site(base, tmp_path, keys)


def test_what_is_not_judged_has_the_words_of_the_checklist_and_no_green(
    even: Site, watch: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first line of `pit`, word for word; the border is not that of what is ready."""
    log = str(even.folder / "even.csv")
    assert cli.run(["pit", log, "--project", str(even.folder / "looptime.toml"), "--quiet"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert told.startswith("Ready as far as judged: ")
    shown = watch(even.base).open(f"/readiness?run={even.keys['even']}", "#page .gate")
    head, why = (shown.locator(f"#page .gate {at}").first.inner_text() for at in ("h2", "strong"))
    assert f"{head}: {why}" == told
    colour = "(e) => getComputedStyle(e).borderLeftColor"
    now = shown.eval_on_selector("#page .gate", colour)
    shown.eval_on_selector("#page .gate", "(e) => { e.className = 'card gate ready'; }")
    assert now != shown.eval_on_selector("#page .gate", colour)


def test_one_length_is_told_as_that(even: Site, watch: Make) -> None:
    """No interval of a period's width."""
    shown = watch(even.base).open(f"/?run={even.keys['even']}", "#page .figures")
    page = shown.inner_text("#page .figures")
    assert "each loop takes\n20.0 ms" in page
    assert "as by a timetable" in page
    assert "interval" not in page


def test_slow_loops_show_what_comes_back_as_the_command_does(
    even: Site, watch: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    """Call, rule, ms and times, cell by cell."""
    assert cli.run(["slow", str(even.folder / "stalls.csv")]) == 0
    told = capsys.readouterr().out.partition("What comes back\n")[2].splitlines()[1]
    shown = watch(even.base).open(f"/slow?run={even.keys['stalls']}", "[data-key=comes-back]")
    cells = shown.locator("[data-key=comes-back] tbody tr").first.locator("td").all_inner_texts()
    assert " ".join(cells).split() == told.split()
    assert "every 10 loops" in cells[1]
