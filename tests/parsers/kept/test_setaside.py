"""Rows that were set aside, given back with their text."""

import csv
import gzip
from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.errors import UsageError
from looptime.parsers.kept.setaside import lines_at, neutral, set_aside_rows, write_set_aside
from looptime.parsers.kept.store import write_runs
from looptime.run import SetAside
from looptime.schema import REASONS
from tests.build_run import make_run

TEXT = "time_ms,heading\n0,1\n10,1\nboom\n20,1,7\n=cmd(),3\n50,1\n60,1\n-70;5\n80,1\n90,2\n"


def log(tmp_path, data=None):
    """The log above."""
    path = tmp_path / "log.csv"
    path.write_bytes(TEXT.encode() if data is None else data)
    return looptime.read_log(path)


def test_every_row_with_its_text(tmp_path):
    """Rows ruled out by their text and rows ruled out later are all quoted."""
    assert set_aside_rows(log(tmp_path)) == [
        (3, "rows lost around it", "10,1"),
        (4, "not a row", "boom"),
        (5, "wrong number of fields", "20,1,7"),
        (6, "unreadable number", "=cmd(),3"),
        (9, "not a row", "-70;5"),
        (11, "unfinished last loop", "90,2"),
    ]
    assert len(set_aside_rows(log(tmp_path), 2)) == 2


@pytest.mark.parametrize(
    "data", [gzip.compress(TEXT.encode()), TEXT.encode("utf-16-le")], ids=["gzip", "utf-16"]
)
def test_text_is_read_again_from_any_file(tmp_path, data):
    """Also from compressed and UTF-16 files."""
    assert set_aside_rows(log(tmp_path, data))[0][2] == "10,1"


def test_written_file(tmp_path):
    """The file has a row for each, and none of its cells can act as a formula."""
    read = log(tmp_path)
    out = tmp_path / "aside.csv"
    assert write_set_aside(read, out) == 6 == len(read.runs[0].set_aside)
    rows = list(csv.reader(out.read_text(encoding="utf-8").splitlines()))
    assert rows[0] == ["line", "reason", "text"]
    assert rows[4] == ["6", "unreadable number", "'=cmd(),3"]
    assert not any(cell[:1] in ("=", "+", "-", "@") for row in rows for cell in row)


def test_never_over_the_log_itself(tmp_path):
    """The log is not overwritten, and a folder is no file."""
    read = log(tmp_path)
    with pytest.raises(UsageError, match="is the log itself"):
        write_set_aside(read, tmp_path / "log.csv")
    with pytest.raises(UsageError, match="cannot be written"):
        write_set_aside(read, tmp_path)


def test_lines_across_blocks(tmp_path):
    """Lines are found wherever the blocks are cut."""
    path = tmp_path / "long.csv"
    path.write_text("".join(f"{k},{'x' * 90}\n" for k in range(100_000)), encoding="utf-8")
    wanted = [1, 50_000, 99_999, 100_000]
    found = lines_at(path, wanted)
    assert {line: text.split(",")[0] for line, text in found.items()} == {
        line: str(line - 1) for line in wanted
    }


def test_reasons_of_all_runs_are_counted_together():
    """Two runs of one file: one row and two rows of one reason, and one of another."""
    early, cut = REASONS.index("before first loop"), REASONS.index("unfinished last loop")

    def with_aside(reasons):
        aside = SetAside(np.arange(len(reasons)), np.array(reasons), ("",) * len(reasons))
        return replace(make_run([20.0] * 3), set_aside=aside)

    read = looptime.Log("log.csv", (with_aside([early]), with_aside([early, cut, early])))
    assert read.rows_by_reason == {"before first loop": 3, "unfinished last loop": 1}


def test_line_far_longer_than_any_row(tmp_path):
    """A line that some other program spilt into the log costs itself alone, and says why."""
    path = tmp_path / "log.csv"
    rows = [f"{10 * k},{k % 3}" for k in range(20)]
    rows.insert(7, "x,1," * 30_000)
    path.write_text("time_ms,battery_v\n" + "\n".join(rows) + "\n", encoding="utf-8")
    run = looptime.read(path)
    assert run.set_aside.counts["line too long"] == 1
    assert run.set_aside.line[run.set_aside.reason == REASONS.index("line too long")] == [9]
    assert run.rows_read == 21


@pytest.mark.parametrize("text", ["=cmd()", "  =cmd()", " -1+2", " @sum", "%run"])
def test_blanks_do_not_hide_a_formula(text):
    """A spreadsheet skips leading blanks, and so does the guard."""
    assert neutral(text) == f"'{text}"
    assert neutral("plain " + text) == "plain " + text


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_rows_set_aside_of_an_export(tmp_path, ending):
    """An export tells the lines and reasons of its log, with the texts it holds."""
    text = "time_ms\n" + "".join(f"{20 * k}\n" for k in range(30)) + "oops\n600\n"
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    log = looptime.read_log(path)
    out = tmp_path / f"run.{ending}"
    write_runs(log.runs, out)
    again = looptime.read_log(out)
    assert set_aside_rows(again)[0][:2] == set_aside_rows(log)[0][:2]
    assert write_set_aside(again, tmp_path / "aside.csv") == len(log.runs[0].set_aside)
