"""Reports as a browser prints them: few full pages with numbers, and nothing cut."""

import html
import re
import shutil
import unicodedata
from pathlib import Path

import pytest

from looptime.notes import Note, add_note
from looptime.project import Project
from looptime.questions import Asked
from looptime.questions.reporting import against_first, report_on
from looptime.samples import folder as samples
from looptime.views.files.pdf import print_pdf
from looptime.views.files.report import write_report
from tests.browser.conftest import NEVER_MS
from tests.browser.printed import Page, pages_of
from tests.conftest import need_tool

pytestmark = pytest.mark.browser

LOGS = sorted(path.name for path in samples().glob("*.csv.gz"))
STATED = ("gyro_thread_own_bus.csv.gz", "paced_50hz.csv.gz", "round.csv.gz", "single_reads.csv.gz")
MOST = 6
#: Share of a page that is filled before the next one is begun.
FULL = 0.6


def printed(
    asked: Asked, names: list[str], folder: Path, title: str = ""
) -> tuple[str, list[Page]]:
    """A report on some sample logs, and its printed pages."""
    browser = need_tool("chromium")
    logs = [report_on(asked, asked.read(str(samples() / name))) for name in names]
    out = write_report(logs, folder / "r.html", against=against_first(asked, logs), title=title)
    pages = pages_of(print_pdf(out, folder / "r.pdf", browser, NEVER_MS / 1e3))
    return out.read_text(encoding="utf-8"), pages


def check_pages(pages: list[Page], name: str) -> None:
    """Every page has its number and the report's name, and all but the last are filled."""
    for place, page in enumerate(pages, 1):
        assert f"{place}/{len(pages)}" in page.text
        assert re.sub(r"\s+", "", name) in page.text
        assert place == len(pages) or page.lowest() > FULL, f"page {place} ends early"


def plain(text: str) -> str:
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", html.unescape(text)))


def check_rows(page: str, pages: list[Page]) -> None:
    """Every row of every table that is printed stands whole on one page."""
    body = re.sub(r"(?s)<details>.*?</details>", "", page)
    tables = re.findall(r'(?s)<table(?: class="([^"]*)")?>(.*?)</table>', body)
    assert tables
    for kind, table in tables:
        most = 10 if "few" in kind else 30 if "many" in kind else 500
        for row in re.findall(r"(?s)<tr>(.*?)</tr>", table.partition("<tbody>")[2])[:most]:
            cells = plain("".join(re.findall(r"(?s)<td[^>]*>(.*?)</td>", row)))
            assert any(cells in one.text for one in pages), f"cut: {cells}"


@pytest.mark.parametrize("name", LOGS)
def test_a_log_is_told_on_a_few_full_pages(name: str, tmp_path: Path) -> None:
    """Any sample log: six pages at most, numbered and filled, tables whole, the answer first."""
    page, pages = printed(Asked(), [name], tmp_path)
    assert 1 < len(pages) <= MOST
    check_pages(pages, name)
    check_rows(page, pages)
    first = [text for y, text in pages[0].pieces if y < pages[0].height / 2]
    assert "Whatitwouldbuy:" in plain("".join(first))


@pytest.mark.parametrize("name", STATED)
def test_what_a_project_states_is_told_on_as_few(name: str, tmp_path: Path) -> None:
    """Heading, controllers, wheels and notes ask for one page more at most, and all are in."""
    asked = Asked(Project.load(samples() / "looptime.toml"))
    page, pages = printed(asked, [name], tmp_path)
    assert len(pages) <= MOST + 1
    check_pages(pages, name)
    check_rows(page, pages)
    text = "".join(one.text for one in pages)
    for title in ("Remedies, and what they would buy", "Heading", "Controllers and steered wheels"):
        assert plain(title) in text
    for one in asked.project.controllers:
        assert plain(one.name) in text


def test_several_logs_begin_with_how_they_compare(tmp_path: Path) -> None:
    """Two logs: verdict and table stand on the first page, each log has its own part after it."""
    names = ["single_reads.csv.gz", "batched_reads.csv.gz"]
    page, pages = printed(Asked(), names, tmp_path)
    check_pages(pages, "Loop timing of tray-carrier")
    check_rows(page, pages)
    for word in ("Thelogstogether", "faster", *map(plain, names)):
        assert word in pages[0].text
    assert len(pages) <= 2 * MOST


def test_notes_and_hostile_names_are_printed_as_text(tmp_path: Path) -> None:
    """A note with markup in it and a title that would end the style sheet stand as written."""
    evil = "\"}</style><script>document.title='taken'</script>"
    shutil.copy(samples() / LOGS[0], tmp_path)
    add_note(tmp_path, Note(LOGS[0], f"gyro plug {evil} was loose", loop=12))
    asked, browser = Asked(), need_tool("chromium")
    one = report_on(asked, asked.read(str(tmp_path / LOGS[0])))
    out = write_report([one], tmp_path / "r.html", title=evil)
    pages = pages_of(print_pdf(out, tmp_path / "r.pdf", browser, NEVER_MS / 1e3))
    text = "".join(page.text for page in pages)
    assert plain(f"gyro plug {evil} was loose") in text
    assert all(plain(evil) in page.text for page in pages)
