"""Findings about the run as a whole."""

import pytest

import looptime
from looptime.findings import summarise


def test_many_rows_set_aside(tmp_path):
    """Calls of two threads without a thread column overlap: the summary says what is missing."""
    rows = "".join(
        f"a.read,{k * 1000},303\nb.read,{k * 1000 + 207},301\nc.write,{k * 1000 + 700},100\n"
        for k in range(100)
    )
    path = tmp_path / "log.csv"
    path.write_text("name,start_us,duration_us\n" + rows, encoding="utf-8")
    found = {f.code: f for f in summarise(looptime.read(path)).findings}
    assert "thread column" in found["rows_set_aside"].text
    assert found["rows_set_aside"].value == pytest.approx(100 * 100 / 300, abs=1)
