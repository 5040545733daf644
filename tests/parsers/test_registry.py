"""Which layout a log has, with and without header, and what is said where none or two fit."""

import itertools

import numpy as np
import pytest

from looptime.errors import LogError, UsageError
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.tables import LOGS, table


@pytest.mark.parametrize("layout", LOGS)
def test_every_column_order(tmp_path, layout):
    """A layout is known by its headers, in whatever order its columns stand."""
    header, rows = LOGS[layout]
    seen = set()
    for order in itertools.permutations(range(len(header))):
        if layout == "costs" and order.index(1) > order.index(2):
            continue  # the order of the parts is the order in which they are laid out
        run = read(
            tmp_path,
            table([header[at] for at in order], [[row[at] for at in order] for row in rows]),
        )
        assert run.layout == layout
        seen.add(
            (tuple(periods_ms(run)), tuple(sorted((n, tuple(t)) for n, t in self_ms(run).items())))
        )
    assert len(seen) == 1


@pytest.mark.parametrize("layout", LOGS)
def test_headerless_with_columns_named(tmp_path, layout):
    """Named by the caller, a headerless file reads as the headed one."""
    header, rows = LOGS[layout]
    headed = read(tmp_path, table(header, rows))
    text = table(header, rows).partition("\n")[2]
    bare = read(tmp_path, text, columns=",".join(header))
    assert bare.layout == layout
    assert periods_ms(bare) == periods_ms(headed)
    assert self_ms(bare) == self_ms(headed)
    assert bare.rows_read == headed.rows_read


def test_headerless_with_a_clock_in_front(tmp_path):
    """Without names, a file whose first column may be a clock is read as stamps."""
    run = read(tmp_path, "0,1.5\n20,2.5\n41,1.5\n60,3\n")
    assert run.layout == "stamps"
    assert periods_ms(run) == [20.0, 21.0, 19.0]
    assert run.signals.values["column_2"].tolist() == [1.5, 2.5, 1.5]


def test_headerless_with_a_number_before_the_clock(tmp_path):
    """Number, clock [s] and two parts that fill its steps but for 1 ms; two clocks are refused."""
    draw = np.random.default_rng(3)
    parts = 0.002 + 0.004 * draw.random((80, 2))
    clock = 17 + np.concatenate([[0], np.cumsum(parts.sum(axis=1) + 0.001)[:-1]])
    rows = [f"{k},{t:.6f},{a:.6f},{b:.6f}" for k, (t, (a, b)) in
            enumerate(zip(clock, parts, strict=True))]  # fmt: skip
    run = read(tmp_path, "\n".join(rows) + "\n")
    assert [name.name for name in run.names] == ["column_3", "column_4"]
    assert self_ms(run)["column_4"] == pytest.approx(1000 * parts[:79, 1], abs=2e-3)
    both = [f"{k},{1000 + 20 * k},{1007 + 20 * k + k % 3}" for k in range(80)]
    with pytest.raises(LogError, match="start_"):
        read(tmp_path, "\n".join(both) + "\n")


@pytest.mark.parametrize("order", [(0, 1, 2), (1, 0, 2), (2, 1, 0)])
def test_headerless_calls_that_last_to_the_next(tmp_path, order):
    """Start [us], name and length in any order: each call ends where the next one begins."""
    draw = np.random.default_rng(8)
    t, rows, lengths = 12_345_697, [], []
    for _ in range(60):
        for name, usual in (("left_io", 9000), ("claw_io", 1000), ("show", 500)):
            took = int(usual * (1 + draw.random()))
            cells = (str(t), name, str(took))
            rows.append(" ".join(cells[k] for k in order))
            lengths += [took] if name == "claw_io" else []
            t += took + 12
    run = read(tmp_path, "\n".join(rows) + "\n")
    assert run.layout == "calls"
    found = np.array(self_ms(run)["claw_io"]) * 1000
    assert found.tolist() == pytest.approx(lengths[: len(found)])
    assert len(found) >= 58


def test_headerless_column_of_intervals(tmp_path):
    """A single column that goes up and down holds periods."""
    run = read(tmp_path, "10.5\n11\n10.25\n9.75\n")
    assert periods_ms(run) == [10.5, 11.0, 10.25, 9.75]


def test_numbers_without_a_clock_at_a_given_rate(tmp_path):
    """One number a line is a signal of loops that ran as often as the caller says."""
    run = read(tmp_path, "-3.5\n2.5\n-1.25\n4\n", rate_hz=50)
    assert periods_ms(run) == [20.0] * 4
    assert run.signals.values["column_1"].tolist() == [-3.5, 2.5, -1.25, 4.0]


def test_no_layout_fits(tmp_path):
    """The error lists the columns, what was tried and what to do."""
    with pytest.raises(LogError) as caught:
        read(tmp_path, "foo,bar\n3,1\n1,2\n2,2\n")
    assert str(caught.value).endswith(
        "log.csv:1: has no time column and no duration (tried as calls, edges, stages, costs, "
        "sections, stamps; its columns are 'foo', 'bar'): log the time of every row under any "
        "header, such as time_ms; without it nothing can be told of the loop's pace"
    )


def test_layout_asked_for_that_does_not_fit(tmp_path):
    """Only the layout asked for is tried."""
    with pytest.raises(LogError, match="were tried as calls;"):
        read(tmp_path, "time_ms,heading\n0,1\n20,2\n40,3\n", layout="calls")
    with pytest.raises(UsageError, match="use one of calls, edges"):
        read(tmp_path, "time_ms,heading\n0,1\n20,2\n40,3\n", layout="call")


def test_calls_and_edges_at_once(tmp_path):
    """A log with durations and begin and end words fits two ways, and that is an error."""
    text = "time_us,name,edge,duration_us\n" + "".join(
        f"{k * 1000},a.read,begin,0\n{k * 1000 + 300},a.read,end,300\n" for k in range(4)
    )
    with pytest.raises(LogError, match="--layout calls or --layout edges"):
        read(tmp_path, text)
    assert read(tmp_path, text, layout="edges").layout == "edges"
    assert read(tmp_path, text, layout="calls").layout == "calls"


def test_a_remark_here_and_there_is_no_begin_or_end(tmp_path):
    """A column that is empty but for one remark is left out."""
    rows = [(k * 5000 + at, name) for k in range(60) for at, name in ((0, "gyro"), (900, "pid"))]
    text = "timestamp_us,section,duration_us,comment\n" + "".join(
        f"{t},{name},800,{'tray slipped' if t == 95_900 else ''}\n" for t, name in rows
    )
    assert sorted(self_ms(read(tmp_path, text))) == ["gyro", "pid"]


@pytest.mark.parametrize("rows", ["{t},{name},{d}", "{d},{t},{name}", "{t},{d},{d}"])
def test_rows_without_a_header_may_end_in_a_delimiter(tmp_path, rows):
    """The cell behind it is none: the log is read as it is without."""
    rng, now, lines = np.random.default_rng(3), 640_000, []
    for k in range(400):
        d = int(rng.integers(900, 1100)) * (1 + k % 2)
        lines.append(rows.format(t=now, name=("gyro", "swerve")[k % 2], d=d))
        now += d + 20
    bare = read(tmp_path, "\n".join(lines) + "\n")
    ended = read(tmp_path, ",\n".join(lines) + ",\n", name="ended.csv")
    assert ended.layout == bare.layout
    assert ended.loop_columns.period_ns.tolist() == bare.loop_columns.period_ns.tolist()
    assert self_ms(ended) == self_ms(bare)


def test_layout_decides_between_signals_and_parts(tmp_path):
    """Numbers beside a clock are signals; asked for, they are parts."""
    text = "time_ms,gyro,drive\n" + "".join(f"{k * 20},{3 + k % 2},5\n" for k in range(5))
    assert list(read(tmp_path, text).signals.values) == ["gyro", "drive"]
    run = read(tmp_path, text, layout="costs")
    assert sorted(self_ms(run)) == ["drive", "gyro"]


@pytest.mark.parametrize("cells", ["1.34681E+12", "1.3468E+12", "1,34681E+12"])
def test_times_that_a_spreadsheet_spoilt(tmp_path, cells):
    """Six digits of an epoch are no time: one line says that the rest is lost and why."""
    delimiter = ";" if "," in cells else ","
    with pytest.raises(LogError, match="six digits and the rest is lost for good"):
        read(tmp_path, f"time_ms{delimiter}heading\n" + f"{cells}{delimiter}90\n" * 5)


def test_end_instead_of_duration(tmp_path):
    """A call may have an end, in a unit of its own."""
    rows = [("a.read", k * 1000, k * 1000 + 300) for k in range(4)]
    run = read(tmp_path, table(("name", "start_us", "end_us"), rows))
    assert self_ms(run) == {"a.read": [0.3] * 3}


def test_end_before_start(tmp_path):
    """A call that ends before it begins is set aside."""
    rows = [("a.read", k * 1000, k * 1000 + (300 if k != 2 else -5)) for k in range(6)]
    run = read(tmp_path, table(("name", "start_us", "end_us"), rows))
    assert run.set_aside.counts["negative duration"] == 1


def test_times_of_day_and_edges(tmp_path):
    """A column of times of day is a clock and no length."""
    text = "time,name,edge\n" + "".join(
        f"10:00:00.{k * 20:03d},a.read,begin\n10:00:00.{k * 20 + 3:03d},a.read,end\n"
        for k in range(5)
    )
    run = read(tmp_path, text)
    assert run.layout == "edges"
    assert self_ms(run) == {"a.read": [3.0] * 4}


def test_sections_whose_length_is_called_time(tmp_path):
    """A time that goes up and down is a length."""
    run = read(tmp_path, "section,time_ms\n" + "gyro,3\ndrive,4\n" * 4)
    assert run.layout == "sections"
    assert periods_ms(run) == [7.0] * 4


def test_date_and_time_set_apart_by_a_blank(tmp_path):
    """In a log set with blanks a date and the time of day after it are one cell."""
    rows = "".join(f"2026-03-01 10:00:00.{k * 20:03d}   {k}\n" for k in range(5))
    for text in (rows, "stamp heading\n" + rows):
        run = read(tmp_path, text)
        assert run.layout == "stamps"
        assert periods_ms(run) == [20.0] * 4


def test_the_same_time_in_every_row(tmp_path):
    """A clock that stands still is no clock."""
    with pytest.raises(LogError, match="same time in every row"):
        read(tmp_path, "date,heading\n" + "2026-03-01,5\n" * 5)


def test_start_and_end_of_the_loop_alone(tmp_path):
    """They give periods and the length of the work, and no parts."""
    text = "start_ms,end_ms\n" + "".join(f"{k * 20},{k * 20 + 7 + k % 2}\n" for k in range(5))
    run = read(tmp_path, text)
    assert run.layout == "stages"
    assert periods_ms(run) == [20.0] * 4
    assert run.loop_columns.body_ns.tolist() == [7_000_000, 8_000_000] * 2
    assert len(run.call_columns) == 0


SOURCE = """import time

rec = looptime_recorder.start("logs", "round")


def loop():
    with gyro:
        time.sleep(0.001)
    return [1, 2, 3]
"""


@pytest.mark.parametrize(
    ("name", "text", "what"),
    [("robot.py", SOURCE, "source code"), ("Robot.JAVA", SOURCE, "source code"),
     ("looptime.toml", "[loop]\nbudget_ms = 25.0\n[robot]\nname = 'a'\n", "settings"),
     ("notes.md", "The loop took 20 ms\nand then 21 ms\n", "a page")],
)  # fmt: skip
def test_what_is_no_log_by_its_name(tmp_path, name, text, what):
    """Source code given in place of its log is called that, whatever its rows look like."""
    with pytest.raises(LogError, match="name the CSV file that the robot wrote") as error:
        read(tmp_path, text, name)
    assert f"{name}: is no log but {what}" in str(error.value)
    assert "\n" not in str(error.value)


def test_a_page_with_a_table_of_times_is_read(tmp_path):
    """Rows of a table between lines of text, under a page's ending."""
    rows = "".join(f"| {t} | {imu} |\n" for t, imu in ((0, 2), (20, 3), (50, 2), (70, 2)))
    text = "# Loops\n\nOn the bench.\n\n| t_ms | imu_ms |\n|---:|:--|\n" + rows
    assert periods_ms(read(tmp_path, text, "notes.md")) == [20.0, 30.0, 20.0]


def test_a_word_before_a_number_names_it_without_a_header(tmp_path):
    """Rows such as 812;imu_ms;9: the word that never changes is what its column would be called."""
    text = "".join(f"{20 * k};imu_ms;{2 + k % 3}.5;drive_ms;{k % 2}.25\n" for k in range(60))
    run = read(tmp_path, text)
    assert set(periods_ms(run)) == {20.0}
    assert {name: ms[:3] for name, ms in self_ms(run).items()} == {
        "imu": [2.5, 3.5, 4.5], "drive": [0.25, 1.25, 0.25]}  # fmt: skip


def test_a_log_by_another_name_can_be_read_all_the_same(tmp_path):
    """A layout or names that are asked for show that the file is meant."""
    text = table(*LOGS["calls"])
    plain = periods_ms(read(tmp_path, text))
    assert periods_ms(read(tmp_path, text, "log.md", layout="calls")) == plain
    columns = "name,start_us,duration_us"
    assert periods_ms(read(tmp_path, text, "log.md", columns=columns)) == plain


def test_one_document_on_one_line(tmp_path):
    """An array of loops in one line is told how to write it; settings stay settings."""
    text = '{"loops":[' + ",".join(f'{{"at":{20 * k}}}' for k in range(90)) + "]}"
    with pytest.raises(LogError, match="one JSON document on one line"):
        read(tmp_path, text, "log.json")
    with pytest.raises(LogError, match="settings"):
        read(tmp_path, '{"name": "tray", "gain": 2}', "log.json")
