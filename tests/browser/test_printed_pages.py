"""The dashboard on paper: light by night too, with the log's name; and the report that it hands."""

import re
from pathlib import Path

import pytest

from looptime.project import Project
from looptime.questions import Asked
from looptime.questions.reporting import report_on
from looptime.samples import folder as samples
from looptime.views.figures.palette import LIGHT
from looptime.views.files.report import render_report
from tests.browser.conftest import patient
from tests.browser.printed import pages_of

pytestmark = pytest.mark.browser


@pytest.fixture
def by_night(site, chromium):
    """A page in a browser that prefers dark colours."""
    context = patient(chromium, color_scheme="dark")
    page = context.new_page()
    page.goto(f"{site.base}/?run={site.keys['single_reads']}")
    page.wait_for_selector(".plot .main-svg")
    yield page
    context.close()


def test_a_page_prints_light_with_name_and_numbers(by_night, tmp_path: Path) -> None:
    """From a dark page: the day's colours, every page numbered, the log named at the top."""
    pdf = tmp_path / "pace.pdf"
    by_night.wait_for_selector("#page-title[data-log]")
    by_night.pdf(path=str(pdf))
    pages = pages_of(pdf)
    assert "single_reads.csv.gz:Pace" in pages[0].text
    for place, page in enumerate(pages, 1):
        assert f"{place}/{len(pages)}" in page.text
    by_night.emulate_media(media="print", color_scheme="dark")
    ink = "getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()"
    assert by_night.evaluate(ink) == LIGHT["ink"]
    assert by_night.evaluate("getComputedStyle(document.body).backgroundColor") == (
        "rgb(255, 255, 255)"
    )
    assert not by_night.locator("#run-select").is_visible()


def test_the_report_of_the_part_looked_at_is_handed_over(by_night, site, tmp_path: Path) -> None:
    """Chosen on the page: the very report that the command writes of that part."""
    key = site.keys["single_reads"]
    by_night.goto(f"{site.base}/?run={key}&start=5&end=25")
    link = by_night.locator("a[href^='/report.html']")
    link.wait_for()
    with by_night.expect_download() as handed:
        link.click()
    assert handed.value.suggested_filename == "single_reads-report.html"
    handed.value.save_as(tmp_path / "r.html")
    asked = Asked(Project.load(samples() / "looptime.toml"), from_s=5.0, to_s=25.0)
    log = asked.read(str(site.folder / "single_reads.csv.gz"))
    stated = render_report([report_on(asked, log)])
    assert answer(tmp_path.joinpath("r.html").read_text(encoding="utf-8")) == answer(stated)


def answer(page: str) -> str:
    found = re.search(r'(?s)<section class="answer">.*?</section>', page)
    assert found is not None
    return re.sub(r"<code>.*?</code>", "", found[0])
