"""What a page says of itself on arrival, and what becomes of it while its folder changes."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from dash import html
from looptime_dashboards import shell

from tests.browser.conftest import Watched, key_of, running, settle

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]


def log_of_loops(loops: int, read_ms: int = 3, damaged: int = 0) -> str:
    """A log of 20 ms loops with one read; some rows at its middle cannot be read."""
    rows = ["loop,name,start_ms,duration_ms"]
    for k in range(loops):
        hurt = loops // 2 <= k < loops // 2 + damaged
        rows.append(f"{k},gyro.read,{20 * k + 1},{'?' if hurt else read_ms}")
        rows.append(f"{k},loop,{20 * k},20")
    return "\n".join(rows) + "\n"


def write(path: Path, text: str, age_s: float) -> Path:
    """A file that was written so long ago."""
    path.write_text(text, encoding="utf-8")
    os.utime(path, (time.time() - age_s, time.time() - age_s))
    return path


@contextmanager
def served(watch: Make, folder: Path, **options: Any) -> Iterator[Watched]:
    """A watched page of a server of its own, that is left before the server ends."""
    with running(folder, **options) as base:
        watched = watch(base)
        yield watched
        watched.page.goto("about:blank")


def test_the_run_is_written_into_the_address_and_a_new_log_is_only_offered(
    watch: Make, tmp_path: Path
) -> None:
    """Page and picker stay with the run they came with; the notice opens the new one, or goes."""
    old = write(tmp_path / "morning.csv", log_of_loops(300), 600)
    with served(watch, tmp_path) as watched:
        shown = watched.open("/", "#used")
        assert parse_qs(urlsplit(shown.url).query)["run"] == [key_of(old)]
        assert shown.title() == "Pace - morning.csv - looptime"
        assert "300 loops" in shown.locator("#used").inner_text()
        shown.go_back()  # the arrival left no step of its own behind
        assert shown.url == "about:blank"
        for nothing in ("morning.csv", "0123456789abcdefg", ""):  # no key: as if there were none
            shown = watched.open(f"/?run={nothing}", "#used")
            assert parse_qs(urlsplit(shown.url).query)["run"] == [key_of(old)]
        new = write(tmp_path / "noon.csv", log_of_loops(200, 5), 30)
        shown.wait_for_selector("#news:has-text('New log: open noon.csv')")
        assert "300 loops" in shown.locator("#used").inner_text()
        assert shown.locator("#run-select").inner_text() == "morning.csv"
        shown.click("#news >> text=not now")
        assert not shown.locator("#news .news").is_visible()
        again = write(tmp_path / "evening.csv", log_of_loops(150, 6), 10)
        shown.click("#news >> text=open evening.csv")
        shown.wait_for_selector("#used:has-text('150 loops')")
        assert parse_qs(urlsplit(shown.url).query)["run"] == [key_of(again)] != [key_of(new)]
        shown.wait_for_function("() => !document.querySelector('#news .news')")
        shown.wait_for_function("() => document.title.includes('evening.csv')")


def test_a_log_that_grew_is_offered_as_it_is_now(watch: Make, tmp_path: Path) -> None:
    """The page of the shorter log says that it has grown, and opens the longer one."""
    path = write(tmp_path / "robot.csv", log_of_loops(300), 600)
    with served(watch, tmp_path) as watched:
        shown = watched.open("/", "#used")
        write(path, log_of_loops(500), 30)
        shown.click("#news:has-text('This log has grown') >> text=open robot.csv")
        shown.wait_for_selector("#used:has-text('500 loops')")


def test_damage_is_said_on_the_page_and_in_the_list(watch: Make, tmp_path: Path) -> None:
    """Seven rows that no number can be read from are counted on Pace and in the list of logs."""
    write(tmp_path / "hurt.csv", log_of_loops(300, damaged=7), 600)
    with served(watch, tmp_path) as watched:
        shown = watched.open("/", "#used")
        said = "7 of 600 rows are set aside: 7 unreadable number"
        assert said in shown.locator("#page .damage").inner_text()
        shown.click("nav a:has-text('Logs')")
        shown.wait_for_selector(".ag-row")
        assert said in shown.locator(".ag-center-cols-container").inner_text()


def test_only_loops_that_are_there_are_a_step_away(watch: Make, tmp_path: Path) -> None:
    """From the first loop there is none earlier, from another there is."""
    write(tmp_path / "robot.csv", log_of_loops(300), 600)
    with served(watch, tmp_path) as watched:
        shown = watched.open("/?warmup=keep&loop=0", "#loop-panel .card")
        links = shown.locator("#loop-panel .choices a")
        assert links.all_inner_texts() == ["one later", "close"]
        links.first.click()
        shown.wait_for_selector("#loop-panel a:has-text('one earlier')")


def test_a_before_that_is_gone_can_be_switched_off(watch: Make, tmp_path: Path) -> None:
    """A run to hold against that is not in the folder is told, with its switch."""
    write(tmp_path / "robot.csv", log_of_loops(300), 600)
    with served(watch, tmp_path) as watched:
        shown = watched.open(f"/sides?before={'0' * 16}", "#page .toggle")
        assert "not here" in shown.locator("#page .note.error").inner_text()
        shown.click("#page .toggle[aria-pressed=true]")
        shown.wait_for_selector("#page :text('Choose one run or several')")
        assert "before" not in parse_qs(urlsplit(shown.url).query)


def test_a_wide_screen_holds_two_figures_side_by_side(watch: Make, tmp_path: Path) -> None:
    """At 1920 pixels two figures stand in one row and use the width; at 1280 there is one a row."""
    write(tmp_path / "robot.csv", log_of_loops(300), 600)
    with served(watch, tmp_path) as watched:
        shown = watched.open("/", "[data-key=periods] .main-svg")
        tops = "['rate', 'periods'].map((k) => document.querySelector(`section[data-key=${k}]`)"
        tops += ".getBoundingClientRect())"
        first, second = shown.evaluate(f"{tops}.map((b) => b.top)")
        assert second > first
        shown.set_viewport_size({"width": 1920, "height": 1080})
        settle(shown)
        first, second = shown.evaluate(f"{tops}.map((b) => b.top)")
        assert second == first
        assert shown.evaluate(f"{tops}[1].right") > 1800
        assert shown.evaluate("document.documentElement.scrollWidth") <= 1920


def test_answers_slower_than_the_questions_are_shown(
    watch: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page that asks 20 times a second, and is answered in 0.4 s, shows what it is answered."""
    write(tmp_path / "robot.csv", log_of_loops(300), 600)
    make, answered = shell._guarded, iter(range(1000))

    def slowly(*of: Any) -> Any:
        time.sleep(0.2)
        made = make(*of)
        return shell._Made([html.P("Reading")], True) if next(answered) == 0 else made

    monkeypatch.setattr(shell, "_POLL_MS", 50)
    monkeypatch.setattr(shell, "_guarded", slowly)
    with served(watch, tmp_path) as watched:
        watched.open(f"/?run={key_of(tmp_path / 'robot.csv')}", "#used")
        assert next(answered) >= 3  # page and choices, and again
