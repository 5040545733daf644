"""Printing a report."""

from pathlib import Path

import pytest

from looptime.errors import UsageError
from looptime.views.files.pdf import print_pdf


def test_without_a_browser_pdf_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No browser on the machine: a clear message."""
    monkeypatch.setattr("looptime.views.files.pdf.find_browser", lambda: None)
    with pytest.raises(UsageError, match="open the HTML report"):
        print_pdf(tmp_path / "r.html", tmp_path / "r.pdf")
