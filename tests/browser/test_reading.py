"""What is said while a log is being read, and the choice where it can be read in two ways."""

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from looptime_dashboards.desk import Desk
from looptime_dashboards.library import Library, Offered
from looptime_dashboards.parts import otherwise
from looptime_dashboards.shell import first_log
from looptime_dashboards.view import read_view
from looptime_dashboards.work import Pending, Work

from looptime.errors import LogError
from looptime.project import Project
from looptime.questions.asked import Asked
from tests.browser.conftest import Watched, key_of, running, waited

Make = Callable[..., Watched]
#: Instants or durations: two loops leave it open.
TWO_WAYS = "time_ms,gyro_end_ms,drive_end_ms\n0,1,2\n20,21,25\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A log of 2.5 MB, of which an eighth is read at a time, and one that fits two layouts."""
    rows = "".join(f"{k * 10_000},{k % 7}\n" for k in range(200_000))
    (tmp_path / "long.csv").write_text("time_us,x\n" + rows, encoding="utf-8")
    (tmp_path / "two ways.csv").write_text(TWO_WAYS, encoding="utf-8")
    for path in tmp_path.iterdir():
        os.utime(path, (time.time() - 60, time.time() - 60))
    return tmp_path


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[threading.Event]:
    """Reading goes as ever, but stops at half of a log until it is let go on."""
    go_on = threading.Event()

    read = Asked.read

    def halting(self: Asked, path: str, progress: Callable[[float], None]) -> Any:
        def told(share: float) -> None:
            progress(share)
            if share >= 0.5:
                go_on.wait()

        return read(self, path, told)

    monkeypatch.setenv("LOOPTIME_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(Asked, "read", halting)
    yield go_on
    go_on.set()


def opened(folder: Path) -> tuple[Library, dict[str, Offered]]:
    here = Library(folder, Project(), Work(patience_s=0.0))
    here.scan(0)
    return here, {o.name: o for o in here.offered()}


def test_the_share_that_is_read_is_told(folder: Path, held: threading.Event) -> None:
    """Held at half of its bytes the log is at 50 %; then it is there, and no share is kept."""
    here, offered = opened(folder)
    key = offered["long.csv"].key
    share = None
    while share != 0.5:
        with pytest.raises(Pending) as caught:
            here.log(key)
        share = caught.value.share
    assert caught.value.text == "Reading long.csv (2.5 MB): 50 %"
    held.set()
    assert len(waited(lambda: here.log(key)).runs[0]) == 199_999
    while here._work.share(("read", key)) is not None:
        time.sleep(0.01)


def test_a_log_read_to_its_end_is_not_said_to_be_at_100_percent(folder: Path) -> None:
    """What is left then is not reading, and nobody knows how much of it is done."""
    here, offered = opened(folder)
    key = offered["long.csv"].key
    go_on = threading.Event()
    with pytest.raises(Pending):
        here._work.get(("read", key), go_on.wait, patience_s=0.0)
    here._work.tell(("read", key))(1.0)
    with pytest.raises(Pending, match="being put in order") as caught:
        here.log(key)
    go_on.set()
    assert caught.value.share is None


def test_the_choice_is_part_of_the_key(folder: Path) -> None:
    """Read as asked for under a key that says so, and offered under it from then on."""
    here, offered = opened(folder)
    key = offered["two ways.csv"].key
    with pytest.raises(LogError, match="--layout stages or --layout costs"):
        here.log(key, 60)
    assert here.get(key).error
    assert [run.layout for run in here.log(f"{key}.stages", 60).runs] == ["stages"]
    assert [run.layout for run in here.log(f"{key}.costs", 60).runs] == ["costs"]
    now = here.get(key)
    assert (now.key, now.layout, now.error) == (f"{key}.costs", "costs", "")
    here.scan(0)
    assert here.get(key).key == f"{key}.costs"
    assert read_view(f"?run={key}.costs-1").run == f"{key}.costs-1"
    assert read_view(f"?run={key}.nothing").run == ""


def test_a_dropped_log_is_read_as_asked_for() -> None:
    """The layout comes with the log; both readings of it are one log on offer."""
    here = Library(None, Project(), Work())
    with pytest.raises(LogError, match=r"^two\.csv.* --layout stages"):
        here.drop("two.csv", TWO_WAYS.encode())
    key = here.drop("two.csv", TWO_WAYS.encode(), "costs")
    assert here.run(key).layout == "costs"
    key = here.drop("two.csv", TWO_WAYS.encode(), "stages")
    assert here.run(key).layout == "stages"
    assert [(o.key, o.name) for o in here.offered()] == [(key, "two.csv")]


def test_options_of_the_command_are_told_where_they_go() -> None:
    """A page takes no unit and no columns: the project file does."""
    key = "0123456789abcdef"
    (line,) = otherwise(key, "a.csv: the unit cannot be told: give it with --unit")
    assert 'write unit = "..." under [log]' in line.children
    (line,) = otherwise(key, "no loop: name it with --loop-call")
    assert 'loop_call = "..."' in line.children
    assert otherwise(key, "a.csv: is empty: nothing was logged") == []


@pytest.mark.parametrize(
    ("name", "text", "opened_first"),
    [("notes.txt", "The left wheel squeaks.\nCheck it before the next run, please.\n", False),
     ("results.csv", "bench,trays,rank\nnorth,12,1\nsouth,9,2\neast,7,3\n", False),
     ("empty.log", "", False), ("two.csv", TWO_WAYS, True),
     ("robot.csv", "time_ms,gyro_ms\n" + "".join(f"{20 * k},{k % 3}\n" for k in range(50)), True)],
)  # fmt: skip
def test_what_is_no_log_is_not_opened_unasked(
    folder: Path, name: str, text: str, opened_first: bool
) -> None:
    """The newest log is opened, also one that asks how it is to be read, whatever is newer."""
    (folder / "two ways.csv").unlink()
    new = folder / name
    new.write_text(text, encoding="utf-8")
    os.utime(new, (time.time() - 30, time.time() - 30))
    desk = Desk(folder, Project())
    desk.library.scan(0)
    assert first_log(desk, 600.0) == key_of(new if opened_first else folder / "long.csv")
    (folder / "long.csv").unlink()
    desk.library.scan(0)
    assert first_log(desk, 600.0) == (key_of(new) if opened_first else "")


@pytest.mark.browser
def test_the_page_shows_how_far_it_is(watch: Make, folder: Path, held: threading.Event) -> None:
    """Half read, half of the bar is filled; the figures come when it goes on."""
    key = key_of(folder / "long.csv")
    with running(folder) as base:
        page = watch(base).open(f"/?run={key}", "#page progress[value='0.500']")
        assert "Reading long.csv (2.5 MB): 50 % ..." in page.inner_text("#page")
        held.set()
        page.wait_for_selector("#page .js-plotly-plot .main-svg")
        assert page.locator("#page progress").count() == 0
        page.close()  # before its server goes


@pytest.mark.browser
def test_a_log_that_fits_two_layouts_offers_both(watch: Make, folder: Path) -> None:
    """The sentence of the command line, then the choice; the page goes on with what is chosen."""
    key = key_of(folder / "two ways.csv")
    with running(folder) as base:
        page = watch(base).open(f"/?run={key}", "#page .note.error")
        assert "fits two layouts: stages" in page.inner_text("#page .note.error")
        assert "--layout" not in page.inner_text("#page .note.error")
        page.click("#page .choice:has-text('costs')")
        page.wait_for_selector("#page .figures")
        assert f"run={key}.costs" in page.url
        page.wait_for_selector("#run-select:has-text('two ways.csv, read as costs')")
        page.close()  # before its server goes


@pytest.mark.browser
def test_a_dropped_log_that_fits_two_layouts_offers_both(watch: Make, tmp_path: Path) -> None:
    """The page offers the layouts, as for a log of the folder; it is not sent again by hand."""
    path = tmp_path / "dropped.csv"
    path.write_text(TWO_WAYS, encoding="utf-8")
    empty = tmp_path / "empty"
    empty.mkdir()
    with running(empty) as base:
        page = watch(base).open("/logs", "#page .note")
        page.set_input_files("#file", str(path))
        page.wait_for_selector("#page .note.error:has-text('fits two layouts')")
        assert "--layout" not in page.inner_text("#page")
        page.click("#page .choice:has-text('stages')")
        page.wait_for_selector("#run-select:has-text('dropped.csv, read as stages')")
        page.wait_for_selector("#page .figures")
        assert f"run={key_of(path)}.stages" in page.url
        page.goto("about:blank")  # before its server goes
