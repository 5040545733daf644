"""The report: one file that holds everything, asks for nothing, and cannot be broken out of."""

import json
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from looptime.errors import UsageError
from looptime.parsers.read import Log
from looptime.questions import Asked, summary
from looptime.questions.reporting import against_first
from looptime.views.files.pdf import print_pdf
from looptime.views.files.report import ReportLog, render_report, write_report
from looptime.views.text.text_parts import percent
from tests.browser.conftest import HUNG_S, NEVER_MS
from tests.browser.guard import Guard
from tests.build_run import make_run
from tests.conftest import need_tool
from tests.views.files.build import EVIL, report_log


@pytest.fixture(scope="module")
def page() -> str:
    """A report with a hostile name in it."""
    return render_report([report_log(EVIL)], version="1", errors=["b.csv:3: <b>bad</b>"])


def test_it_asks_for_nothing(page: str) -> None:
    """No reference to another file or host outside Plotly's own code, and a policy besides."""
    ours = re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL)
    assert not re.search(r"(src|href)=", ours)
    assert "url(" not in ours
    assert "default-src 'none'" in page


def test_names_cannot_break_out(page: str) -> None:
    """The name occurs escaped only; the embedded data end where they should."""
    assert "<script>document.title" not in page
    assert "<b>bad</b>" not in page
    data = re.search(r'id="figures">(.*?)</script>', page, re.DOTALL)
    assert data is not None
    figures = json.loads(data[1])
    assert {f["title"] for f in figures.values()}
    assert "NaN" not in data[1]


def test_it_holds_tables_cautions_and_how(page: str) -> None:
    """Every figure has its table and its words; findings, cautions and methods are there."""
    plots = page.count('class="plot"')
    assert plots >= 5
    assert page.count("<summary>As a table</summary>") == plots
    assert page.count('role="img" aria-label="') == plots
    for text in (
        "What stands out",
        "What this rests on",
        "Cautions",
        "How each figure was computed",
        "Every call",
    ):
        assert text in page


def test_it_is_written_and_replaced(tmp_path: Path) -> None:
    """A folder is made where needed; a place that cannot be written says so in one line."""
    out = tmp_path / "book" / "r.html"
    assert write_report([report_log()], out) == out
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    with pytest.raises(UsageError, match="cannot be written"):
        write_report([report_log()], tmp_path)


def drawn_by(browser_path: str, report: Path) -> tuple[list[str], list[str]]:
    """What a browser complains of, and what it asks for, while it draws a report."""
    from playwright.sync_api import sync_playwright

    complaints: list[str] = []
    asked: list[str] = []
    with sync_playwright() as p:
        browser = p.chromium.launch(
            executable_path=browser_path,
            timeout=NEVER_MS,
            args=["--headless", "--no-sandbox", "--disable-gpu"],
        )
        shown = browser.new_page()
        shown.set_default_timeout(NEVER_MS)
        shown.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
        shown.on("pageerror", lambda e: complaints.append(str(e)))
        shown.on("request", lambda r: asked.append(r.url))
        shown.goto(report.as_uri())
        shown.wait_for_selector("body[data-drawn=yes]")
        assert shown.locator(".plot .main-svg").count() >= 5
        assert shown.title() != "taken"
        browser.close()
    return complaints, asked


@pytest.mark.browser
def test_a_browser_draws_and_prints_it(tmp_path: Path) -> None:
    """Every figure is drawn without an error or a request; the PDF has pages."""
    path = need_tool("chromium")
    out = write_report([report_log(EVIL)], tmp_path / "r.html")
    # a thread of its own: another test's browser may have left an event loop in this one
    with Guard(HUNG_S), ThreadPoolExecutor(1) as pool:
        complaints, asked = pool.submit(drawn_by, path, out).result()
        pdf = print_pdf(out, tmp_path / "r.pdf", path, NEVER_MS / 1e3)
    assert complaints == []
    assert [u for u in asked if not u.startswith(("file:", "data:", "blob:"))] == []
    assert pdf.read_bytes().startswith(b"%PDF")


def test_the_overruns_are_a_share_of_the_loops() -> None:
    """Five of a hundred loops, though they hold 15 of 110 parts of the time."""
    one = report_log()
    over = one.summaries[0].pace.overruns
    assert over.share == pytest.approx(0.05, abs=0.002)
    assert over.time_share > 0.1
    page = render_report([one])
    row = re.search(
        r"<tr><td[^>]*>over 25[.0]* ms</td><td[^>]*>(.*?)</td><td[^>]*>(.*?)</td>", page
    )
    assert row is not None
    assert (row[1], row[2]) == (str(over.count), percent(over.share))


def test_only_the_first_phase_is_shown_in_full() -> None:
    """Two phases: one table of every call, and a row of figures for both."""
    run = make_run(
        [10.0 + k % 3 for k in range(600)], [("gyro.read", 1, 4)], source="a.csv",
        phases=["unattended"] * 300 + ["operator"] * 300,
    )  # fmt: skip
    page = render_report([ReportLog(Log("a.csv", (run,)), summary(Asked(), run))])
    assert page.count("<caption>Every call</caption>") == 1
    assert page.count(">Pace in phase unattended<") == 1
    rows = re.findall(r"<tr><td[^>]*>(operator|unattended)</td><td[^>]*>([0-9,]+)</td>", page)
    assert sorted(rows) == [("operator", "300"), ("unattended", "300")]


def test_paced_logs_stand_side_by_side_by_their_periods() -> None:
    """Work of 4 and 6 ms in periods of 20 and 25: what is called a period is one."""
    logs = []
    for name, ms, work in (("a.csv", 20.0, 4.0), ("b.csv", 25.0, 6.0)):
        calls = [("read", 0.0, work), ("wait", work, ms - work)]
        run = make_run([ms] * 300, calls, {"wait": "pacing"}, source=name)
        logs.append(ReportLog(Log(name, (run,)), summary(Asked(), run)))
    page = render_report(logs, against=against_first(Asked(), logs))
    assert "The middle period is 20.0 ms before, 25.0 ms after" in page
