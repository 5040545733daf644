"""Exported runs: the same run read back, open to other tools, and no cell that acts."""

import csv

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import looptime
from looptime.errors import LogError, UsageError
from looptime.parsers.kept.store import write_runs
from looptime.parsers.read import read_log
from looptime.tables import write_parquet

HEADER = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"


def rows(loops=30):
    """Two threads, phases, a signal, marks, calls that reach into the next loop, a bad row."""
    text = "# robot: tray-carrier\n" + HEADER
    for k in range(loops):
        at = k * 10_000
        phase = "standby" if k < 9 else ""
        text += f"{k},main,{4 * k},gyro.read,{at + 10}.125,900,{phase},,\n"
        text += f"{k},main,{4 * k + 1},heading_deg,{at + 950},0,{phase},signal,{k / 3}\n"
        text += f"{k},reader,{k},lift.read,{at + 100},700,{phase},published,\n"
        text += f"{k},main,{4 * k + 2},drive.write,{at + 9800},400,{phase},,\n"
    return text + "7,main,=cmd()\n"


@pytest.fixture
def log(tmp_path):
    """A log of timed calls with everything in it."""
    path = tmp_path / "log.csv"
    path.write_text(rows(), encoding="utf-8")
    return path


def equal(one, two):
    """Whether two runs hold the same."""
    for table in ("loop_columns", "call_columns", "marks", "set_aside", "signals"):
        a, b = getattr(one, table), getattr(two, table)
        assert (a is None) == (b is None)
        if a is None:
            continue
        for name in a.__dataclass_fields__:
            left, right = getattr(a, name), getattr(b, name)
            if isinstance(left, np.ndarray):
                assert np.array_equal(left, right), (table, name)
            elif isinstance(left, dict):
                assert left.keys() == right.keys()
                assert all(np.array_equal(left[k], right[k], equal_nan=True) for k in left)
            else:
                assert left == right, (table, name)
    for name in ("names", "thread_names", "loop_thread", "layout", "source", "rows_read",
                 "rows_used", "clock", "loop_from", "dropped", "meta"):  # fmt: skip
        assert getattr(one, name) == getattr(two, name)


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_read_back_the_same_run(tmp_path, log, ending):
    """An exported run is the same run when it is read."""
    run = looptime.read(log)
    assert len(run.call_columns.spill_row)
    assert run.marks is not None
    assert run.signals is not None
    out = tmp_path / f"out.{ending}"
    write_runs([run], out)
    again = looptime.read(out)
    equal(run, again)
    assert again.loops.equals(run.loops)
    assert again.calls.equals(run.calls)
    assert looptime.summarise(run).to_dict() == looptime.summarise(again).to_dict()


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_several_runs_in_one_file(tmp_path, ending):
    """A log with two runs is exported to one file and comes back as two."""
    path = tmp_path / "two.csv"
    times = [*range(500, 900, 10), *range(503, 803, 10)]
    path.write_text(
        "time_ms,heading\n" + "".join(f"{t},{t / 7 if t % 3 else 'nan'}\n" for t in times),
        encoding="utf-8",
    )
    log = read_log(path)
    write_runs(log.runs, tmp_path / f"out.{ending}")
    again = read_log(tmp_path / f"out.{ending}")
    assert len(again.runs) == 2
    for one, two in zip(log.runs, again.runs, strict=True):
        equal(one, two)


def test_to_parquet(tmp_path, log):
    """A run writes itself, and other tools read its calls with units in the column names."""
    run = looptime.read(log)
    write_parquet((run,), tmp_path / "run.parquet")
    equal(run, looptime.read(tmp_path / "run.parquet"))
    table = pq.read_table(tmp_path / "run.parquet").to_pandas()
    calls = table[table.record == "call"]
    assert calls.self_ns.sum() == run.call_columns.self_ns.sum()
    assert {"start_ns", "duration_ns", "period_ns", "signal.heading_deg"} <= set(table.columns)


def test_names_that_would_act_in_a_spreadsheet(tmp_path):
    """No cell of an exported CSV is a formula, and the names come back as they were."""
    nasty = ["=HYPERLINK(1)", "+1", "-1", "@x", "'quoted", 'a "b", c', "plain"]
    text = "name,start_us,duration_us,phase\n"
    for k in range(12):
        for j, name in enumerate(nasty):
            quoted = '"' + name.replace('"', '""') + '"'
            text += f"{quoted},{10_000 * k + 900 * j},100,=p\n"
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    run = looptime.read(path)
    out = tmp_path / "out.csv"
    write_runs([run], out)
    with out.open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    risky = [c for c in cells if c[:1] in tuple("=+@\t\r") or (c[:1] == "-" and not _number(c))]
    assert risky == []
    equal(run, looptime.read(out))


def _number(cell):
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_foreign_parquet(tmp_path):
    """A Parquet file of another origin gets one line that says what to do."""
    pq.write_table(pa.table({"a": [1]}), tmp_path / "a.parquet")
    with pytest.raises(LogError, match="did not write"):
        looptime.read(tmp_path / "a.parquet")


@pytest.mark.parametrize("ending", ["parquet", "csv"])
def test_damaged_export(tmp_path, log, ending):
    """A damaged export gets one line, wherever it was cut."""
    out = tmp_path / f"out.{ending}"
    write_runs([looptime.read(log)], out)
    data = out.read_bytes()
    for part in (0.02, 0.3, 0.6, 0.9, 0.99):
        out.write_bytes(data[: int(part * len(data))])
        with pytest.raises(LogError, match="out"):
            looptime.read(out)


def test_wrong_ending_and_folder(tmp_path, log):
    """A name that says no format, and a folder that is not there, are wrong use."""
    run = looptime.read(log)
    with pytest.raises(UsageError, match=r"\.parquet or \.csv"):
        write_runs([run], tmp_path / "out.txt")
    with pytest.raises(UsageError, match="cannot be written"):
        write_runs([run], tmp_path / "nowhere" / "out.csv")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["log.csv"]


def test_export_cut_off_between_or_within_its_last_rows(tmp_path, log):
    """Wherever the end of a CSV export is missing, it is refused; a whole one is read."""
    out = tmp_path / "out.csv"
    write_runs([looptime.read(log)], out)
    data = out.read_bytes()
    equal(looptime.read(out), looptime.read(log))
    for missing in range(1, 400):
        out.write_bytes(data[:-missing])
        with pytest.raises(LogError, match="damaged export"):
            looptime.read(out)


def test_the_loops_of_an_export_are_told(tmp_path, log):
    """Another call cannot begin them, so it is refused; the one they were made with may be said."""
    out = tmp_path / "out.parquet"
    write_runs([looptime.read(log, loop_call="drive.write")], out)
    assert len(looptime.read(out, loop_call="drive.write")) == len(looptime.read(out))
    with pytest.raises(LogError, match="give --loop-call to the log it was made from"):
        looptime.read(out, loop_call="gyro.read")
