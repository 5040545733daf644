"""Ways in which logs are written: all of them give the same run."""

import codecs
import gzip
import os

import numpy as np
import pyarrow as pa
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.read import read_log
from looptime.parsers.text.dialect import sniff
from tests.parsers.build import periods_ms, read

TIMES = [0.0, 20.25, 40.5, 61.75, 80.0, 100.5]
PERIODS = [20.25, 20.25, 21.25, 18.25, 20.5]
PLAIN = "time_ms,heading\n" + "".join(f"{t:.2f},{k * 1.5}\n" for k, t in enumerate(TIMES))


def check(run):
    """The one run that every dialect here writes."""
    assert run.layout == "stamps"
    assert periods_ms(run) == PERIODS
    assert run.signals.values["heading_deg"].tolist() == [0.0, 1.5, 3.0, 4.5, 6.0]
    assert run.set_aside.counts == {"unfinished last loop": 1}


def spelt(delimiter, decimal=".", pad=""):
    """The log with another delimiter and decimal mark."""
    lines = [line.split(",") for line in PLAIN.splitlines()]
    cells = [[pad + cell.replace(".", decimal) + pad for cell in line] for line in lines]
    return "".join(delimiter.join(line) + "\n" for line in cells)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|", " "])
def test_delimiters(tmp_path, delimiter):
    """Comma, semicolon, tab, pipe and white space."""
    check(read(tmp_path, spelt(delimiter)))


@pytest.mark.parametrize("delimiter", [";", "\t", "|", " "])
def test_decimal_comma(tmp_path, delimiter):
    """A decimal comma goes with every delimiter but the comma."""
    check(read(tmp_path, spelt(delimiter, ",")))


@pytest.mark.parametrize("delimiter", [",", ";", "|"])
def test_blanks_around_cells(tmp_path, delimiter):
    """Blanks around the delimiter do not count."""
    check(read(tmp_path, spelt(delimiter, pad=" ")))


def test_columns_set_with_blanks(tmp_path):
    """Any run of blanks and tabs is one delimiter, also before and after the cells."""
    lines = [line.split(",") for line in PLAIN.splitlines()]
    check(read(tmp_path, "".join(f"  {a:>12} \t{b:<9}  \n" for a, b in lines)))


def test_ruled_table(tmp_path):
    """A table with pipes on both sides and a ruled line below the header."""
    lines = ["| " + line.replace(",", " | ") + " |" for line in PLAIN.splitlines()]
    check(read(tmp_path, "\n".join([lines[0], "|---|--:|", *lines[1:], ""])))


@pytest.mark.parametrize("space", ["", " "])
def test_quotes(tmp_path, space):
    """Every cell may be quoted, with or without blanks before the quote."""
    rows = [line.split(",") for line in PLAIN.splitlines()]
    text = "".join(f'"{a}",{space}"{b}",{space}"odd, but fine"\n' for a, b in rows)
    check(read(tmp_path, text.replace("odd, but fine", "note", 1)))


def test_delimiters_quotes_and_line_breaks_within_names(tmp_path):
    """A quoted name keeps its comma and its quotes; a line break in it becomes a blank."""
    text = "name,start_us,duration_us\n" + "".join(
        f'"gyro, ""left""",{k * 1000},300\n"drive\nupdate",{k * 1000 + 500},200\n' for k in range(4)
    )
    run = read(tmp_path, text)
    assert {n.name for n in run.names} == {'gyro, "left"', "drive update"}
    assert run.loop_columns.line.tolist() == [2, 5, 8]
    assert run.set_aside.counts == {"unfinished last loop": 2}


@pytest.mark.parametrize("row", ['"bro,1500,3', 'a"b,"1500,2'])
def test_quote_that_is_never_closed(tmp_path, row):
    """It costs its own row and not those after it."""
    rows = [f"gyro,{k * 1000},300\n" for k in range(5)]
    run = read(
        tmp_path, "name,start_us,duration_us\n" + "".join([*rows[:2], row + "\n", *rows[2:]])
    )
    assert run.set_aside.counts == {"wrong number of fields": 1, "unfinished last loop": 1}
    assert run.set_aside.line.tolist() == [4, 7]
    assert run.set_aside.text[0] == row
    assert len(run) == 4


@pytest.mark.parametrize(
    ("mark", "encoding"),
    [
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
        (b"", "utf-16-le"),
        (b"", "utf-16-be"),
    ],
)
def test_encodings(tmp_path, mark, encoding):
    """UTF-8 and UTF-16 of both orders, with and without a byte-order mark."""
    check(read(tmp_path, mark + PLAIN.encode(encoding)))


def test_logs_with_marks_joined(tmp_path):
    """A byte-order mark before a header met again, or alone in the last line, is no text."""
    path = tmp_path / "two.csv"
    one = "\ufefftime_us,x\n" + "".join(f"{1000 + 20_000 * k},{k}\n" for k in range(4))
    two = "\ufefftime_us,x\n" + "".join(f"{500 + 20_000 * k},{k * k}\n" for k in range(5))
    path.write_text(one + two + "\ufeff", encoding="utf-8")
    log = read_log(path)
    assert [run.loop_columns.period_ns.tolist() for run in log.runs] == [
        [20_000_000] * 3, [20_000_000] * 4,
    ]  # fmt: skip
    assert log.runs[0].clock.restarts == (7,)
    assert log.rows_read == 9


@pytest.mark.parametrize("end", ["\r\n", "\r", "\r\r\n"])
def test_line_ends(tmp_path, end):
    """Line ends of other systems, and those that were converted twice."""
    run = read(tmp_path, PLAIN.replace("\n", end))
    check(run)
    assert run.set_aside.line.tolist() == [7]


def test_missing_last_newline(tmp_path):
    """The last row counts without a line end."""
    check(read(tmp_path, PLAIN[:-1]))


def test_stray_carriage_return_moves_no_line(tmp_path):
    """A carriage return within a line ends no line."""
    run = read(tmp_path, PLAIN.replace("40.50,3.0\n", "40.50,3.0\r\n20%\r40%\n"))
    assert run.set_aside.line.tolist() == [5, 8]


def test_nul_bytes(tmp_path):
    """Zeros that a crash left in the file are no text."""
    data = PLAIN.encode()
    check(read(tmp_path, data[:60] + b"\0" * 5000 + data[60:]))


def test_repeated_headers(tmp_path):
    """A header met again is a line, not a row: here and there, or before every row."""
    header, *rows = PLAIN.splitlines(keepends=True)
    run = read(tmp_path, "".join(header + row for row in rows))
    check(run)
    assert run.rows_read == 6
    check(read(tmp_path, header + "".join(rows[:3]) + header + "".join(rows[3:])))


def test_blank_lines_comments_and_text(tmp_path):
    """Blank lines and comments are no rows; text between rows is set aside and nothing is lost."""
    header, *rows = PLAIN.splitlines(keepends=True)
    text = "".join(
        ["boot ok\n", "links up, all good\n", "# robot: tray-carrier\n", "\n", header, *rows[:2],
         "warning: bus 3, retry\n", "\n", "   \n", "# battery: fresh\n", *rows[2:], "bye\n"]
    )  # fmt: skip
    run = read(tmp_path, text)
    assert periods_ms(run) == PERIODS
    assert run.set_aside.counts == {"not a row": 4, "unfinished last loop": 1}
    assert run.set_aside.line.tolist() == [1, 2, 8, 15, 16]
    assert run.set_aside.text[2] == "warning: bus 3, retry"
    assert run.meta == {"robot": "tray-carrier", "battery": "fresh"}
    assert run.rows_read == 10


def test_comment_with_as_many_cells_as_a_row(tmp_path):
    """A comment is one, however many commas it holds."""
    text = "name,start_us,duration_us\n# note: a,b,1\n#x,5,6\n" + "".join(
        f"gyro,{k * 1000},300\n" for k in range(4)
    )
    run = read(tmp_path, text)
    assert [n.name for n in run.names] == ["gyro"]
    assert run.rows_read == 4


def test_empty_and_nan_cells(tmp_path):
    """A value that is not there leaves its row; a time that is not there does not."""
    text = "time_ms,heading\n0,1\n10,nan\n20,\n30,n/a\n,5\nnan,5\n60,2\n70,3\n"
    run = read(tmp_path, text)
    assert periods_ms(run) == [10.0, 10.0, 10.0, 10.0]
    assert run.set_aside.counts == {
        "missing value": 2,
        "unfinished last loop": 1,
        "rows lost around it": 1,
    }
    assert np.isnan(run.signals.values["heading_deg"]).tolist() == [False, True, True, False]


def test_exponents(tmp_path):
    """Numbers may have exponents."""
    run = read(tmp_path, "time_s,heading\n0e0,1\n2e-2,7e-05\n4.0E-2,1\n0.06,1\n")
    assert periods_ms(run) == [20.0] * 3
    assert run.signals.values["heading_deg"][1] == 7e-05


@pytest.mark.parametrize(
    ("header_end", "row_start", "row_end"),
    [(",", "", ","), ("", "", ","), (",", "", ""), (",,", "", "")],
)
def test_trailing_delimiters(tmp_path, header_end, row_start, row_end):
    """A delimiter at the end of the header, of the rows, or of both names no column."""
    header, *rows = PLAIN.splitlines()
    lines = [header + header_end, *(row_start + row + row_end for row in rows), ""]
    check(read(tmp_path, "\n".join(lines)))


def test_index_column_without_a_name(tmp_path):
    """A first column that counts the rows may lack a name, or its place in the header."""
    header, *rows = PLAIN.splitlines()
    numbered = [f"{k},{row}" for k, row in enumerate(rows)]
    check(read(tmp_path, "\n".join([header, *numbered, ""])))
    check(read(tmp_path, "\n".join(["," + header, *numbered, ""])))


def test_header_that_does_not_go_with_the_rows(tmp_path):
    """A header with another number of names is no guess but an error that says what to do."""
    with pytest.raises(LogError, match=r"log\.csv:1: the header names 3 columns.*--columns"):
        read(tmp_path, PLAIN.replace("heading", "heading,x", 1))


def test_header_in_a_comment_and_units_in_a_second_row(tmp_path):
    """The header may be a comment, the units may stand below it."""
    check(read(tmp_path, "# " + PLAIN))
    check(read(tmp_path, PLAIN.replace("time_ms,heading\n", "time,heading\n[ms],[deg]\n")))


def test_rows_of_another_length_are_set_aside(tmp_path):
    """Cells that are missing or too many are never filled up or shifted."""
    run = read(tmp_path, "time_ms,a,b\n0,1,2\n10,1\n20,1,2\n30,1,2,3\n40,1,2\n50,1,2\n60,1,2\n")
    assert run.set_aside.counts == {
        "wrong number of fields": 2,
        "rows lost around it": 2,
        "unfinished last loop": 1,
    }
    assert periods_ms(run) == [10.0, 10.0]
    assert run.set_aside.text[:2] == ("", "10,1")


def test_two_rows_glued_together(tmp_path):
    """A late row glued to the next is set aside with its text."""
    run = read(tmp_path, "time_ms,a\n0,1\n10,120,1\n30,1\n40,1\n50,1\n")
    assert "10,120,1" in run.set_aside.text
    assert run.set_aside.counts["wrong number of fields"] == 1


@pytest.mark.parametrize(
    "compress", [gzip.compress, lambda d: pa.compress(d, "zstd", asbytes=True)]
)
def test_compressed(tmp_path, compress):
    """Files of gzip and zstd are read as they are, whatever the file is called."""
    check(read(tmp_path, compress(PLAIN.encode())))


@pytest.mark.parametrize(
    "compress", [gzip.compress, lambda d: pa.compress(d, "zstd", asbytes=True)]
)
def test_compressed_file_cut_short(tmp_path, compress):
    """What came before the cut is read, and the cut is told."""
    text = "time_ms,heading\n" + "".join(f"{k * 10},{k * 7919 % 360}\n" for k in range(200_000))
    data = compress(text.encode())
    run = read(tmp_path, data[: len(data) // 2])
    assert 20_000 < len(run) < 199_000
    assert set(periods_ms(run)) == {10.0}
    assert any("cut short" in note for note in run.clock.notes)


def test_bytes_that_are_no_utf8(tmp_path):
    """A few bytes of another encoding cost nothing but themselves."""
    text = b"name,start_us,duration_us\n" + b"".join(
        b"gyro \xb0C,%d,300\n" % (k * 1000) for k in range(4)
    )
    run = read(tmp_path, text)
    assert len(run) == 3
    assert run.names[0].name == "gyro \ufffdC"


def test_sniffed_dialect():
    """Delimiter and decimal mark are found together."""
    found = sniff("zeit;wert\n1,5;2\n2,5;3\n", "a.csv")
    assert (found.delimiter, found.decimal, found.header) == (";", ",", ("zeit", "wert"))


def test_header_alone_and_prose_alone(tmp_path):
    """Too little to read is one line that says so."""
    for text, message in (
        ("time_ms,heading\n", "nothing was logged"),
        ("dear diary\nall went well\n", "no rows of numbers"),
        ("# a: b\n\n", "only comments"),
    ):
        path = tmp_path / "log.csv"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(LogError, match=message):
            looptime.read(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipe_is_refused(tmp_path):
    """A pipe without a writer would wait for ever."""
    path = tmp_path / "pipe"
    os.mkfifo(path)
    with pytest.raises(LogError, match="save the log to a file"):
        looptime.read(path)


def test_damaged_rows_of_a_headerless_log(tmp_path):
    """Without a header no bad row is taken for one."""
    run = read(tmp_path, "0,5\n10,5\nnan,nan\n30,6\n40,6\n50,7\n")
    assert run.rows_read == 6
    assert run.set_aside.counts["missing value"] == 1


def test_numbers_out_of_all_bounds(tmp_path):
    """A count or a value that no number holds is missing; a time like that costs its row."""
    run = read(tmp_path, "loop,time_ms,speed\n1e400,0,1\n2,10,1e400\n3,20,1\n4,1e300,1\n5,40,1\n")
    assert run.set_aside.counts["unreadable number"] == 1
    assert np.isnan(run.signals.values["speed"]).tolist() == [False, True]


@pytest.mark.parametrize(("every", "commas"), [(1, 1), (2, 1), (10, 1), (10, 2)])
def test_empty_cells_at_the_end_of_some_rows(tmp_path, every, commas):
    """They are no reason to set a row aside, however many rows have them."""
    rows = [f"{20 * k},{k % 3}" + "," * (commas if k % every == 0 else 0) for k in range(50)]
    run = read(tmp_path, "time_ms,v\n" + "\n".join(rows) + "\n")
    assert periods_ms(run) == [20.0] * 49
    assert run.set_aside.counts == {"unfinished last loop": 1}


def test_a_header_among_the_rows_names_those_before_it():
    """A log whose start was cut off has its header where it was taken up again."""
    rows = "0,gyro.read,0,1128\n0,drive,1200,5000\n1,gyro.read,20000,1130\n"
    found = sniff(f"*** boot ***\n{rows}USB reconnected\nloop,name,start_us,dur_us\n{rows}", "x")
    assert found.header == ("loop", "name", "start_us", "dur_us")
    assert found.header_line == 0


def test_words_among_the_rows_are_no_header():
    """A row of events with a time left out names no columns."""
    assert sniff("0,imu,begin\n5,imu,end\nlost,imu,begin\n20,imu,begin\n", "x").header is None
