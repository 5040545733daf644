"""HTML and exported cells: text from a log stays text."""

import csv
import html

import pytest

from looptime.views.files.html import csv_cell, element, escape, table
from looptime.views.files.report import render_report
from tests.views.files.build import EVIL, report_log


def test_titles_and_attributes_cannot_be_broken_out_of() -> None:
    """A title is text wherever it stands, and a quotation mark ends no attribute."""
    page = render_report([report_log()], title=EVIL + '" onclick="x')
    assert "<script>document.title" not in page
    assert f"<title>{html.escape(EVIL)}" in page
    assert escape('a" onclick="x') == "a&quot; onclick=&quot;x"
    assert 'title="a&quot; b"' in element("p", "text", title='a" b')


def test_exported_cells_are_quoted_as_they_must_be() -> None:
    """A quotation mark within a quoted cell is doubled (RFC 4180), and a formula is made text."""
    assert csv_cell('a"b,c') == '"a""b,c"'
    assert next(csv.reader([csv_cell('x "y", z')])) == ['x "y", z']
    assert csv_cell("=1+1") == "'=1+1"
    assert csv_cell(-3) == "-3"


@pytest.mark.parametrize(("rows", "more"), [(3, ""), (4, "1 more rows are not shown")])
def test_a_table_says_what_it_leaves_out(rows, more):
    """Three rows where three are shown are all; of four one is missing."""
    text = table(("call", "ms"), [("gyro.read", 1.5)] * rows, most=3)
    assert text.count("<tr>") == 4  # the head among them
    assert text.endswith(f"{more} here.</p>" if more else "</div>")
