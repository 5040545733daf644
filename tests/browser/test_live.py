"""The page that follows the newest log while it is written."""

import contextlib
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from looptime_dashboards.following import Following
from looptime_dashboards.library import Library
from looptime_dashboards.work import Work

from looptime.project import Project
from tests.browser.conftest import Watched, key_of, running, settle

pytestmark = pytest.mark.browser
Make = Callable[..., Watched]
HEAD = "loop,name,start_us,duration_us\n"
DRAWN = "#page .plot[data-key=live-calls] .main-svg"


def rows(first: int, last: int, read_us: int = 2000) -> str:
    """Loops of 20 ms with two calls; every tenth takes 10 ms more, in the second."""
    made = []
    for k in range(first, last):
        at = 20_000 * k + 10_000 * (k // 10)
        made.append(f"{k},gyro.read,{at},{read_us}\n")
        made.append(f"{k},<b>drive</b>,{at + 5000},{11_000 if k % 10 == 9 else 1000}\n")
    return "".join(made)


def add(path: Path, text: str) -> None:
    with path.open("a", encoding="utf-8") as file:
        file.write(text)


@contextlib.contextmanager
def live(watch: Make, folder: Path, ready: str, project: Project | None = None) -> Iterator[Any]:
    """The page of a server of its own, which asks nothing any more when the server ends."""
    with running(folder, project=project or Project()) as base:
        shown = watch(base).open("/live", ready)
        yield shown
        shown.goto("about:blank")


def bars(page: Any) -> dict[str, float]:
    """What is drawn: self time a loop of each call [ms]."""
    return page.evaluate(
        "() => { const p = document.querySelector('.plot[data-key=live-calls]').firstChild;"
        " return Object.fromEntries(p.data[0].customdata.map((c, k) => [c[0], p.data[0].x[k]])); }"
    )


def test_the_page_goes_on_with_the_log(watch: Make, tmp_path: Path) -> None:
    """Figures are those of all loops by hand; they grow with the log, without the page's doing."""
    path = tmp_path / "transport.csv"
    path.write_text(HEAD + rows(0, 101), encoding="utf-8")
    with live(watch, tmp_path, DRAWN, Project(budget_ms=25)) as shown:
        # 100 whole loops: 90 of 20 ms and 10 of 30 ms
        assert "transport.csv: 100 loops in 2.10 s" in shown.locator("#live-state").inner_text()
        assert "10 of 100 are over the budget" in shown.locator("#page h2").first.inner_text()
        assert bars(shown)["gyro.read"] == pytest.approx(2.0)
        assert bars(shown)["&lt;b&gt;drive&lt;/b&gt;"] == pytest.approx(2.0)
        assert sum(bars(shown).values()) == pytest.approx(21.0)
        add(path, rows(101, 201, 4000))
        shown.wait_for_selector("#live-state:has-text('200 loops in 4.20 s')")
        settle(shown)  # what is out of sight is drawn when there is time
        assert bars(shown)["gyro.read"] == pytest.approx((101 * 2 + 99 * 4) / 200)
        cells = shown.locator("[data-key=live-long] tbody tr").first.inner_text().split("\t")
        assert cells == ["199", "4.170", "30.00", "<b>drive</b>"]


def test_what_is_held_stands_still_and_can_be_opened(watch: Make, tmp_path: Path) -> None:
    """Held, figures keep and have a table; the log opens as it is, though it is being written."""
    path = tmp_path / "transport.csv"
    path.write_text(HEAD + rows(0, 101), encoding="utf-8")
    with live(watch, tmp_path, DRAWN) as shown:
        assert shown.locator("#page .card >> text=As a table").count() == 0
        shown.click("text=held still")
        shown.wait_for_selector("#page .card >> text=As a table")
        before = shown.locator("#live-state").inner_text()
        add(path, rows(101, 151))
        shown.wait_for_timeout(1500)
        assert shown.locator("#live-state").inner_text() == before
        shown.click("text=renewed each second")
        shown.wait_for_selector("#live-state:has-text('150 loops')")
        shown.click("text=held still")
        shown.click("text=open it as it is now")
        shown.wait_for_selector("#page-title:has-text('Pace')")
        shown.wait_for_selector("#used:has-text('150 loops')")
        assert f"run={key_of(path)}" in shown.url


def test_without_a_log_the_page_waits_for_one(watch: Make, tmp_path: Path) -> None:
    """It says so, and shows the first log that comes."""
    with live(watch, tmp_path, "#page .note") as shown:
        assert "No log is being written here yet" in shown.locator("#page").inner_text()
        (tmp_path / "first.csv").write_text(HEAD + rows(0, 50), encoding="utf-8")
        shown.wait_for_selector(DRAWN)
        (tmp_path / "second.csv").write_text(HEAD + rows(0, 80), encoding="utf-8")
        shown.wait_for_selector("#live-state:has-text('second.csv: 79 loops')")


def test_each_row_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was read is not read again, however long the log: only the last loop's rows are.

    But for a log's beginning, by which it is told from files that hold no loops.
    """
    from looptime_dashboards import following

    monkeypatch.setattr(following, "_EVERY_S", 0.0)
    read: list[int] = []
    from looptime.questions.asked import Asked

    real = Asked.read

    def counted(self: Asked, at: str, *more: Any) -> Any:
        read.append(len(Path(at).read_text(encoding="utf-8").splitlines()))
        return real(self, at, *more)

    monkeypatch.setattr(Asked, "read", counted)
    path = tmp_path / "transport.csv"
    path.write_text(HEAD + rows(0, 500), encoding="utf-8")
    here = Following(tmp_path, Project())
    for k in range(500, 600, 20):
        at = here.look()
        assert at is not None
        assert at.live.loops == k - 1
        add(path, rows(k, k + 20))
    assert read[:2] == [1001, 1001]  # once to see that it holds loops, once for them
    assert max(read[2:]) <= 1 + 2 * (20 + 2)


def test_a_log_that_grows_stays_the_log_that_was_opened(tmp_path: Path) -> None:
    """Its key holds while rows come, is never taken for a log that is gone, then leads on."""
    path = tmp_path / "transport.csv"
    path.write_text(HEAD + rows(0, 100), encoding="utf-8")
    here = Library(tmp_path, Project(), Work())
    for _ in range(2):
        here.scan(0)
    (first,) = here.offered()
    for k in range(100, 160, 20):
        add(path, rows(k, k + 20))
        here.scan(0)
        (one,) = here.offered()
        assert (one.key, one.growing) == (first.key, True)
        assert len(here.log(first.key, 60).runs[0]) >= 99
    here.scan(0)
    (last,) = here.offered()
    assert (last.key, last.growing) == (key_of(path), False)
    assert here.grown(first.key) == last


def test_a_log_that_was_never_at_rest_is_told_and_not_offered(tmp_path: Path) -> None:
    """It is named as being written until it rests; two alike at rest are not taken for one."""
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_text(HEAD + rows(0, 100), encoding="utf-8")
    here = Library(tmp_path, Project(), Work())
    here.scan(0)
    assert here.being_written() == ("a.csv", "b.csv")
    assert here.offered() == []
    add(tmp_path / "b.csv", rows(100, 120))
    here.scan(0)
    assert here.being_written() == ("b.csv",)
    assert [o.name for o in here.offered()] == ["a.csv"]
    (tmp_path / "b.csv").write_text(HEAD + rows(0, 100), encoding="utf-8")
    for _ in range(2):
        here.scan(0)
    assert here.being_written() == ()
    key = here.as_it_is(tmp_path / "b.csv")
    assert key == key_of(tmp_path / "b.csv")
    assert here.name_of(tmp_path / "b.csv") == "b.csv"


def test_what_holds_no_loop_is_passed_over_and_logs_can_be_chosen(
    watch: Make, tmp_path: Path
) -> None:
    """A newer file without a byte is named and not followed; a click follows another log."""
    for name, loops, age_s in (
        ("older.csv", 51, 90),
        ("newer.csv", 101, 60),
        ("browser.log", 0, 1),
    ):
        text = HEAD + rows(0, loops) if loops else ""
        (tmp_path / name).write_text(text, encoding="utf-8")
        os.utime(tmp_path / name, (time.time() - age_s,) * 2)
    with live(watch, tmp_path, DRAWN) as shown:
        said = shown.locator("#live-state").inner_text()
        assert said.startswith("newer.csv: 100 loops")
        assert "no loop can be read in browser.log, which is newer" in said
        shown.click("#page .choice:has-text('older.csv')")
        shown.wait_for_selector("#live-state:has-text('older.csv: 50 loops')")
        assert "log=older.csv" in shown.url
        shown.click("#page .choice:has-text('the newest')")
        shown.wait_for_selector("#live-state:has-text('newer.csv: 100 loops')")
