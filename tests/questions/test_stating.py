"""What was understood of a log's columns, told and stated."""

import json

import numpy as np
import pytest

from looptime import cli
from looptime.errors import UsageError
from looptime.project import Project
from looptime.questions import Asked
from looptime.questions.stating import columns, state_columns

HEADER = "Time,Gyro,Drive,Heading,Loop Time"


@pytest.fixture
def log(tmp_path, monkeypatch):
    """Two parts in milliseconds and the time of the loop before, no unit in any header."""
    monkeypatch.chdir(tmp_path)
    draw = np.random.default_rng(2)
    gyro, drive = draw.integers(1, 4, 80), draw.integers(5, 15, 80)
    period = gyro + drive + 1
    start = np.append(0, np.cumsum(period)[:-1])
    late = np.append(0, period[:-1])
    rows = zip(start, gyro, drive, 90 * np.sin(start / 300), late, strict=True)
    path = tmp_path / "log.csv"
    path.write_text(HEADER + "\n" + "".join(f"{s / 1e3},{g},{d},{h:.2f},{p}\n"
                                            for s, g, d, h, p in rows))  # fmt: skip
    return path


def test_every_column_with_its_reason(log):
    """Clock, parts, signal and period are told, each with unit, reason and what may stand there."""
    found = columns(Asked(), str(log))
    said = {one.name: (one.taken_as, one.unit) for one in found.columns}
    assert said == {
        "Time": ("clock", "s"), "Gyro": ("part", "ms"), "Drive": ("part", "ms"),
        "Heading": ("heading", None), "Loop Time": ("period", "ms"),
    }  # fmt: skip
    assert (found.layout, found.stamped) == ("costs", "start")
    assert all(one.why and one.sample for one in found.columns)
    assert "signal" in found.columns[1].instead
    assert "part" not in found.columns[1].instead


@pytest.mark.parametrize(
    ("head", "row", "unit_from", "why"),
    [("time_ms,gyro_ms", "{},2", "header", "its header says so"),
     ("", "t={}ms gyro=2ms", "log", "its name says so"),
     ("", '{{"t_ms": {}, "gyro_ms": 2}}', "log", "its name says so")],
)  # fmt: skip
def test_a_header_is_named_where_there_is_one(tmp_path, head, row, unit_from, why):
    """Units beside numbers, or in the names that lines give them, are no header's."""
    log = tmp_path / "robot.log"
    text = "".join(row.format(20 * k + k % 3) + "\n" for k in range(40))
    log.write_text((head and head + "\n") + text, encoding="utf-8")
    told = columns(Asked(), str(log))
    assert [(one.taken_as, one.unit, one.unit_from) for one in told.columns] == [
        ("clock", "ms", unit_from), ("part", "ms", unit_from),
    ]  # fmt: skip
    assert told.columns[1].why == why
    assert told.clock.unit_from == unit_from


def test_what_is_written_is_what_was_understood(log, tmp_path):
    """The project file that --write makes reads the log to the same figures, and says so."""
    before = columns(Asked(), str(log))
    path = state_columns(Asked(), before)
    project = Project.load(path)
    assert project.columns[0].header == HEADER
    after = columns(Asked(project), str(log))
    assert [(one.taken_as, one.unit) for one in after.columns] == [
        (one.taken_as, one.unit) for one in before.columns
    ]
    runs = [Asked(p).read(str(log)).runs[0] for p in (Project(), project)]
    for key in ("period_ns", "start_ns"):
        one, two = (getattr(run.loop_columns, key) for run in runs)
        assert (one == two).all()
    with pytest.raises(UsageError, match="states the columns of this header already"):
        state_columns(Asked(project), after)


def test_columns_of_calls_are_told_and_not_stated(tmp_path, monkeypatch):
    """Rows that are calls have columns with parts to play, and none that is stated."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "calls.csv"
    path.write_text("name,start_us,duration_us\n" + "".join(
        f"loop,{k * 20_000},9000\ngyro,{k * 20_000 + 5},900\n" for k in range(6)))  # fmt: skip
    found = columns(Asked(), str(path))
    assert [one.taken_as for one in found.columns] == ["name", "start", "duration"]
    with pytest.raises(UsageError, match="rows are no loops"):
        state_columns(Asked(), found)


def test_command(log, capsys):
    """The answer comes first in a sentence; --json has every key; --write names the file."""
    assert cli.run(["columns", str(log)]) == 0
    text = capsys.readouterr().out
    assert "Read as costs: each row a loop with durations; its clock is 'Time' in s" in text
    assert cli.run(["columns", str(log), "--json", "--write"]) == 0
    out = capsys.readouterr()
    made = json.loads(out.out)
    assert set(made) == {
        "schema_version", "path", "layout", "loops_from", "stamped", "clock", "columns",
    }  # fmt: skip
    assert set(made["columns"][0]) == {
        "index", "name", "sample", "taken_as", "unit", "unit_from", "why", "sure", "instead",
    }  # fmt: skip
    assert "looptime.toml: the columns of this log are stated" in out.err


def test_summary_says_what_it_is_unsure_of(tmp_path, capsys):
    """A column that may be something else is named in the summary, with this command."""
    path = tmp_path / "log.csv"
    draw = np.random.default_rng(2)
    gyro, drive = draw.integers(1, 4, 80), draw.integers(5, 15, 80)
    start = np.append(0, np.cumsum(gyro + drive + 1)[:-1])
    rows = zip(start, gyro, drive, 9 + start % 3, strict=True)
    path.write_text("time_ms,gyro_ms,drive_ms,stream_ms\n"
                    + "".join(f"{s},{g},{d},{x}\n" for s, g, d, x in rows))  # fmt: skip
    assert cli.run(["summary", str(path)]) == 0
    assert "not certain what stream_ms is: looptime columns" in " ".join(
        capsys.readouterr().out.split()
    )


@pytest.mark.parametrize("before", ["", "[loop]\nbudget_ms = 20", "[loop]\nbudget_ms = 20\n"])
def test_a_new_table_stands_one_line_apart(log, before):
    """A file is begun without a blank line, and one that is there keeps its lines as they were."""
    path = log.parent / "looptime.toml"
    if before:
        path.write_text(before, encoding="utf-8")
    asked = Asked(Project.load(path) if before else Project())
    state_columns(asked, columns(asked, str(log)))
    text = path.read_text(encoding="utf-8")
    assert text.startswith(before.rstrip("\n") + "\n\n[[columns]]" if before else "[[columns]]")


def test_what_may_be_read_as_well_is_no_more_than_likely(tmp_path):
    """A unit above the rows is no header's; it makes no part of a plain reading."""
    draw = np.random.default_rng(4)
    lengths = draw.normal((2, 5, 0.6), (0.1, 0.3, 0.05), (200, 3))
    rows = [f"{20 * k},{a:.2f},{b:.2f},{c:.2f}" for k, (a, b, c) in enumerate(lengths)]
    log = tmp_path / "log.csv"
    log.write_text("\n".join(["# durations in ms", "time,imu,brake,range", *rows]) + "\n")
    found = columns(Asked(), str(log))
    _, imu, brake, reading = found.columns
    assert (imu.taken_as, imu.sure, imu.unit_from) == ("part", "sure", "line above the rows")
    assert (brake.taken_as, brake.sure) == ("part", "likely")
    assert "named like a reading" in brake.why
    assert "header says" not in imu.why
    assert reading.taken_as == "signal"
    assert any("not certain what brake" in note for note in found.clock.notes)
