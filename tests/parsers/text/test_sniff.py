"""Ways in which logs are written: all of them give the same run."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.text.build import PERIODS, PLAIN, check


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


@pytest.mark.parametrize("end", ["\r\n", "\r", "\r\r\n"])
def test_line_ends(tmp_path, end):
    """Line ends of other systems, and those that were converted twice."""
    run = read(tmp_path, PLAIN.replace("\n", end))
    check(run)
    assert run.set_aside.line.tolist() == [7]


def test_missing_last_newline(tmp_path):
    """The last row counts without a line end."""
    check(read(tmp_path, PLAIN[:-1]))


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
    units = PLAIN.replace("time_ms,heading\n", "time,heading\n[ms],[deg]\n")
    check(read(tmp_path, units))
    for mark in ("# ", "% ", "%"):
        lines = units.splitlines(keepends=True)
        check(read(tmp_path, mark + lines[0] + mark + "".join(lines[1:])))


@pytest.mark.parametrize(
    ("header", "row"),
    [("ms,key,value", "0.00,gyro,1.3"), ("# t_s gyro_s pid_s", "0.000e+00 1.1e-3 4.6e-4")],
)
def test_short_names_below_prose_of_as_many_cells_are_no_units(header, row):
    """Units stand right below the names that they are those of, and name nothing themselves."""
    prose = "Tray carrier, bench 4, evening\nall well\n\n" + header
    remarks = "# carrier, bench 4, evening\n# wheels cleaned today\n# " + header.lstrip("# ")
    names = tuple(header.lstrip("# ").replace(",", " ").split())
    for above in (prose, remarks) if "_" in header else (prose,):
        assert sniff(above + f"\n{row}" * 9, "a.csv").header == names


def test_a_unit_of_all_times_is_none_of_volts_angles_or_numbers():
    """Numbers of the loops that calls belong to, a voltage and an angle are no times."""
    rows = "".join(f"{k // 3},{700 + k},{k % 3},12.{k % 7},{k}.5,4.1\n" for k in range(30))
    text = "# all times in ms\nNr,begin,mot_a,battery_v,lift_deg,took\n" + rows
    names = ("Nr", "begin [ms]", "mot_a [ms]", "battery_v", "lift_deg", "took [ms]")
    assert sniff(text, "a.csv").header == names


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


def test_a_header_among_the_rows_names_those_before_it():
    """A log whose start was cut off has its header where it was taken up again."""
    rows = "0,gyro.read,0,1128\n0,drive,1200,5000\n1,gyro.read,20000,1130\n"
    found = sniff(f"*** boot ***\n{rows}USB reconnected\nloop,name,start_us,dur_us\n{rows}", "x")
    assert found.header == ("loop", "name", "start_us", "dur_us")
    assert found.header_line == 0


def test_words_among_the_rows_are_no_header():
    """A row of events with a time left out names no columns."""
    assert sniff("0,imu,begin\n5,imu,end\nlost,imu,begin\n20,imu,begin\n", "x").header is None


@pytest.mark.parametrize(
    ("comment", "row"),
    [("# micros sense pid out (all in us)", "{} {} {} {}"),
     ("# t sense pid out [alle in us]", "{},{},{},{}"),
     ("#t,sense,pid,out (everything in us)", "{};{};{};{}")],
)  # fmt: skip
def test_names_and_their_unit_in_a_comment_above_the_numbers(tmp_path, comment, row):
    """As many words as columns name them, and what the brackets state is the unit of all."""
    periods = [4000 + k % 7 * 30 + (6000 if k % 10 == 4 else 0) for k in range(60)]
    lines, t = ["# tray carrier, wheel board", comment], 0
    for k, period in enumerate(periods):
        lines.append(row.format(t, 2100 + k % 3, 300, period - 2500))
        t += period
    run = read(tmp_path, "\n".join(lines) + "\n", "dump.txt")
    assert (run.clock.unit, run.clock.limits) == ("us", ())
    assert periods_ms(run) == [p / 1000 for p in periods[:59]]
    assert self_ms(run)["sense"] == [(2100 + k % 3) / 1000 for k in range(59)]


@pytest.mark.parametrize("again", [False, True])
@pytest.mark.parametrize(
    ("header", "delimiter", "unit_ns"),
    [
        ("start (cycles, 168 MHz),sense (cycles, 168 MHz),drive (cycles, 168 MHz)", ",", 1e3 / 168),
        ("t [us, since boot],sense (us, mean of 2, filtered),drive (us)", ",", 1e3),
        ("stamp (ms; host);sense (ms; raw);drive (ms; raw)", ";", 1e6),
    ],
)
def test_a_delimiter_within_brackets_of_a_header_sets_no_cells_apart(
    tmp_path, header, delimiter, unit_ns, again
):
    """Names with remarks in brackets are whole, with the unit that stands there, met again too."""
    draw, t, rows = np.random.default_rng(5), 0, []
    lengths = []
    for k in range(60):
        sense, drive = (round((ms + 0.1 * draw.random()) * 1e6 / unit_ns) for ms in (200, 400))
        rows += [header] * (again and k == 30)
        rows.append(delimiter.join(map(str, (t, sense, drive))))
        lengths.append(sense + drive + round(50e6 / unit_ns))
        t += lengths[-1]
    run = read(tmp_path, "\n".join([header, *rows]) + "\n")
    assert periods_ms(run) == pytest.approx([n * unit_ns / 1e6 for n in lengths[:-1]], rel=1e-6)
    assert [name.name for name in run.names] == ["sense", "drive"]
    assert set(run.set_aside.counts) == {"unfinished last loop"}


@pytest.mark.parametrize("behind", ["(tudo em us)", "[all in us]", "(alles in us)"])
def test_the_unit_of_all_behind_the_last_name_of_a_header(tmp_path, behind):
    """What brackets behind the last name state is no part of that name."""
    rows = [f"{9000 * k},{2000 + k % 3},{400 + k % 5 * 10}" for k in range(40)]
    run = read(tmp_path, "\n".join([f"t,sense,belt  {behind}", *rows]) + "\n")
    assert (run.clock.unit, run.clock.unit_from) == ("us", "header")
    assert [name.name for name in run.names] == ["sense", "belt"]
    assert self_ms(run)["belt"][:3] == [0.4, 0.41, 0.42]


@pytest.mark.parametrize("header", ["  #  t [us]   dt[us]  what", "# t[us] dt (us) what"])
def test_a_hash_above_the_numbers_of_loops_is_their_name(tmp_path, header):
    """Columns that a comment names from the second on, some with a blank before their unit."""
    rows = "".join(
        f"{k:5d} {6000 * k + at:10d} {took:8d}  {what}\n"
        for k in range(50)
        for at, took, what in ((2, 2400, "sensors"), (2410, 800 + k % 7, "logic"))
    )
    run = read(tmp_path, f"{header}\n{rows}")
    assert run.loop_columns.loop.tolist() == list(range(49))
    assert periods_ms(run) == [6.0] * 49


@pytest.mark.parametrize(
    ("remark", "unit", "parts"),
    [("all times in us", "us", True), ("board timing, all in us:", "us", True),
     ("Zeiten in ms", "ms", False), ("units: microseconds", "us", False),
     ("instants in us", "us", False), ("us since boot, one row a loop", "us", False),
     ("stamps are ns", "ns", False), ("clock = us", "us", False),
     ("clock drift in ms: 9", None, False), ("3 s since the last match", None, False),
     ("in all, 3 in ten", None, False), ("first time in a year", None, False)],
)  # fmt: skip
def test_a_unit_that_a_comment_states(remark, unit, parts):
    """It is that of the clock, of all columns where the comment says so, and of no count."""
    rows = "".join(f"{k},{k * 20_000},{900 + k % 7},low\n" for k in range(40))
    found = sniff(f"# {remark}\nloop,t,gyro,mode\n{rows}", "log.csv").header
    assert found[0] == "loop"
    assert found[3] == "mode"
    if unit and parts:
        assert found[1:3] == (f"t [{unit}]", f"gyro [{unit}]")
    else:
        assert found[1:3] == (f"t [{unit}]" if unit else "t", "gyro")


def test_tabs_with_an_empty_cell_at_the_end_of_most_rows(tmp_path):
    """A column of notes that is empty nearly everywhere is a column all the same."""
    rows = [f"{8 * k}\t2.5\t4.1\t{'bumped a tray' if k == 30 else ''}" for k in range(60)]
    run = read(tmp_path, "\n".join(["t_ms\tsense_ms\tmove_ms\tnote", *rows]) + "\n")
    assert [name.name for name in run.names] == ["sense", "move"]
    assert run.set_aside.counts == {"unfinished last loop": 1}


@pytest.mark.parametrize(
    ("text", "header"),
    [
        ("loop time ms\n" + "12.5\n13.5\n" * 9, ("loop time ms",)),
        ("these are loop times\n" + "12.5\n13.5\n" * 9, None),
        ("1,12\n2,13\ntime_ms,gyro_ms\n3,12\n4,15\n", ("time_ms", "gyro_ms")),  # cut at its start
        ("1,12\n2,13\ntime_ms,9\n3,12\n4,15\n", None),
        ("#  gyro drive\n0 12 13\n1 12 14\n2 13 12\n", ("loop", "gyro", "drive")),
        ("#  gyro drive\n0 12 13\n20 12 14\n40 13 12\n60 12 12\n", None),
        ("gyro_ms,drive_ms\n0,12,13\n1,12,14\n", ("", "gyro_ms", "drive_ms")),
        ("gyro_ms,drive_ms\n4,12,\n9,12,\n", ("gyro_ms", "drive_ms", "")),
        ("# micros sense (all in us)\n1 2\n3 5\n", ("micros", "sense [us]")),
        ("# micros sense (times in us)\n1 2\n3 5\n", ("micros", "sense")),
        ("# bench, 12\n1,12\n2,13\n3,15\n", None),
    ],
)
def test_which_line_names_the_columns(text, header):
    """A header of few words, one among the rows, one of a comment, one that lacks a name."""
    found = sniff(text, "log.csv")
    assert found.header == header
    if text.startswith("gyro"):
        assert found.first_row == 2  # counted from 1


@pytest.mark.parametrize("rows", ["5,12,13\n9,12,14\n", "5,12,13\n"])
def test_a_header_that_lacks_a_name_is_refused_unless_columns_are_named(rows):
    """No index stands first and nothing ends the rows: names are needed, and then all is well."""
    text = "gyro_ms,drive_ms\n" + rows
    with pytest.raises(LogError, match="the header names 2 columns, but the rows have 3 cells"):
        sniff(text, "log.csv")
    found = sniff(text, "log.csv", "time_ms,gyro_ms,drive_ms")
    assert found.header == ("time_ms", "gyro_ms", "drive_ms")
    assert found.first_row == 2


@pytest.mark.parametrize("rows", [3, 18, 60, 300])
def test_a_column_under_a_header_of_several_words_is_one_column(tmp_path, rows):
    """However few rows: blanks part the header and nothing else."""
    text = "loop time ms\n" + "".join(f"{10 + k % 3}.5\n" for k in range(rows))
    assert sniff(text, "log.csv").header == ("loop time ms",)
    assert periods_ms(read(tmp_path, text)) == [10.5 + k % 3 for k in range(rows)]


@pytest.mark.parametrize(
    ("comment", "row", "header"),
    [
        ("# t_begin t_gyro_end t_out_end", "1.0 1.2 1.7", ("t_begin", "t_gyro_end", "t_out_end")),
        ("# began;gyroRead;beltWrite", "4;2;7", ("began", "gyroRead", "beltWrite")),
        ("# gyro drive belt motor", "1.1 2.2 0.4 9", ("gyro", "drive", "belt", "motor")),
        ("# third run of gyro", "1.1 2.2 0.4 9", None),
        ("# bench, cold, calm", "1.1,2.2,0.4", None),
    ],
)
def test_a_comment_of_names_alone_is_the_header(comment, row, header):
    """As many names as columns, written as names are, need no unit among them; a remark is none."""
    assert sniff(f"{comment}\n{row}\n{row}\n", "log.txt").header == header


@pytest.mark.parametrize(
    ("title", "unit_ns"),
    [
        ("print of section times (us)", 1e3),
        ("Zeiten je Abschnitt [ms]", 1e6),
        ("times of the belt", 1e6),
    ],
)
def test_a_title_above_words_and_numbers_states_their_unit(tmp_path, title, unit_ns):
    """What stands above a word and a number a line has more words than there are columns."""
    lengths = [(1.8 + k % 5 / 10, 7.2 + k % 3 / 5) for k in range(60)]
    text = "".join(f"gyro {a:.2f}\ndrive {b:.2f}\n" for a, b in lengths)
    run = read(tmp_path, f"{title}\n{text}", "log.txt")
    own = [a * unit_ns / 1e6 for a, _ in lengths]
    assert self_ms(run)["gyro"] == pytest.approx(own[: len(run)], rel=1e-6)


@pytest.mark.parametrize("mark", ["", "# ", "% "])
def test_names_of_several_words_stand_two_blanks_apart(mark):
    """The cells of the rows below may stand as far apart; one blank more parts no name."""
    rows = "".join(f"{20 * k}.0  {3 + k % 4}.25  {5 + k % 3}.5\n" for k in range(30))
    found = sniff(f"{mark}unix time [ms]   tray lift [ms]  move on [ms]\n{rows}", "a.dat")
    assert [name.replace("[", " [").replace("  ", " ") for name in found.header] == [
        "unix time [ms]", "tray lift [ms]", "move on [ms]",
    ]  # fmt: skip
    with pytest.raises(LogError, match="the header names 8 columns, but the rows have 3 cells"):
        sniff(f"unix time ms tray lift ms move on\n{rows}", "a.dat")


@pytest.mark.parametrize(
    ("comment", "names"),
    [
        ("# columns: n, t_ms, gyro, drive", ("n", "t_ms", "gyro", "drive")),
        ("# Spalten: n, t (ms), gyro (ms), drive (ms)", ("n", "t(ms)", "gyro(ms)", "drive(ms)")),
        ("# fields = n t_ms gyro drive", ("n", "t_ms", "gyro", "drive")),
        ("# format: csv, v2, short, blanks", None),
        ("# tray 3, bench 4, gyro loose, drive slow", None),
    ],
)
def test_a_comment_names_columns_that_blanks_set_apart(comment, names):
    """Names behind commas, over rows behind blanks; a remark of as many clauses is none."""
    rows = "".join(f"{k} {20 * k:.2f} 2.1{k % 7} 6.{k % 9}\n" for k in range(60))
    assert sniff(f"{comment}\n{rows}", "run.txt").header == names


def test_a_unit_of_all_times_is_none_of_bytes():
    """Bytes that were sent, beside what a loop took: none of them is a time."""
    rows = "".join(f"{8000 * k},{500 + k % 9},{24 + 8 * (k % 2)}\n" for k in range(60))
    header = sniff(f"# all times in microseconds\nt,gyro,bytes\n{rows}", "run.csv").header
    assert header == ("t [us]", "gyro [us]", "bytes")
