"""Rows of signals and notes between those of calls, told by a word that no length goes with."""

import numpy as np
import pytest

from looptime.parsers.columns.headers import heads
from looptime.parsers.layouts.other_kinds import other_kinds
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms

LOOPS = 120
#: Lengths of three calls [us]; every tenth loop is a slow one.
K = np.arange(LOOPS)
TOOK = np.stack([1000 + K % 7, 3000 + K % 5, 900 + 11_000 * (K % 10 == 6)], axis=1)
START = np.concatenate([[0], np.cumsum(TOOK.ravel() + 50)[:-1]]).reshape(LOOPS, 3)
PERIODS = (np.diff(START[:, 0]) / 1000).tolist()
CALLS = [(int(at), name, int(us)) for starts, took in zip(START, TOOK, strict=True)
         for at, name, us in zip(starts, ("imu", "drive", "arm"), took, strict=True)]  # fmt: skip
#: A voltage and an angle every 10 ms, each with its instant [us].
SIGNALS = [(10_000 * k + by, name, value + k / 8) for k in range(int(START[-1, 0]) // 10_000)
           for by, name, value in ((3, "battery_v", 12.0), (70, "heading_deg", 40.0))]  # fmt: skip


def log(head, call, other, rows=SIGNALS):
    """A log in the order of time, of rows that two functions write."""
    both = [(at, call(at / 1000, name, us / 1000)) for at, name, us in CALLS]
    both += [(at, other(at / 1000, name, value)) for at, name, value in rows]
    return "\n".join([head, *(line for _, line in sorted(both))]) + "\n"


@pytest.mark.parametrize(
    ("head", "call", "other"),
    [
        ("t_ms,type,name,took_ms,value", "{0},call,{1},{2},", "{0},signal,{1},,{2}"),
        ("czas_ms;rodzaj;co;trwa_ms;wynik", "{0};praca;{1};{2};-", "{0};pomiar;{1};-;{2}"),
        ("time_ms,name,duration_ms,reading", "{0},{1},{2},", "{0},{1},,{2}"),
        ("time_ms,name,duration_ms,value,mark", "{0},{1},{2},,C", "{0},{1},,{2},S"),
        ("category|start_ms|fn|took_ms|x", "run|{0}|{1}|{2}|NaN", "var|{0}|{1}|NaN|{2}"),
        ("ms\tname\tis_call\tdur_ms\tvalue", "{0}\t{1}\t1\t{2}\t", "{0}\t{1}\t0\t\t{2}"),
    ],
)
def test_signals_between_calls_are_no_damage(tmp_path, head, call, other):
    """No loop is lost around them, and their values are kept."""
    run = read(tmp_path, log(head, call.format, other.format))
    assert (run.layout, periods_ms(run)) == ("calls", PERIODS)
    assert self_ms(run)["arm"] == (TOOK[:-1, 2] / 1000).tolist()
    assert set(run.set_aside.counts) == {"unfinished last loop"}
    heading = np.asarray(run.signals.values["heading_deg"])
    assert heading[np.isfinite(heading)].tolist() == [v for _, n, v in SIGNALS if n[0] == "h"]


def test_calls_that_are_written_with_their_ends(tmp_path):
    """A row without an end is no call either."""
    text = log("start_ms,name,end_ms,value", lambda at, name, ms: f"{at},{name},{at + ms:.3f},",
               "{0},{1},,{2}".format)  # fmt: skip
    assert periods_ms(read(tmp_path, text)) == PERIODS


def test_notes_without_a_value_are_no_signals(tmp_path):
    """What is a word alone is neither call nor signal, and no loop is lost around it."""
    notes = [(7000 * k + 11, "bumped", 0) for k in range(20)]
    run = read(tmp_path, log("t_ms,type,name,took_ms", "{0},call,{1},{2}".format,
                             "{0},note,{1},".format, notes))  # fmt: skip
    assert periods_ms(run) == PERIODS
    assert "bumped" not in self_ms(run)


def test_a_kind_that_comes_late_is_told_as_well(tmp_path):
    """Beyond the first rows, a word that stands beside no length is of another kind."""
    many = [(at + k * (int(START[-1, -1]) + 50_000), name, us) for k in range(8)
            for at, name, us in CALLS[:-2]]  # fmt: skip
    rows = [(at, f"{at / 1e3},call,{name},{us / 1e3}") for at, name, us in many]
    rows += [(at + 5, f"{at / 1e3},signal,v,") for at, _, _ in many[::20]]
    rows += [(at + 9, f"{at / 1e3},fault,bus,") for at, _, _ in many[-300::10]]
    text = "\n".join(["t_ms,type,name,took_ms", *(line for _, line in sorted(rows))]) + "\n"
    assert "missing value" not in read(tmp_path, text).set_aside.counts


@pytest.mark.parametrize("status", ["", ",timeout"])
def test_a_call_that_never_ends_is_missed(tmp_path, status):
    """A read of every loop without any length: its rows are said to lack one."""
    head = "loop,name,start_us,duration_us" + (",status" if status else "")
    text = "".join(
        f"{k},arm.send,{20_000 * k},{6000 + k % 7}{',ok' if status else ''}\n"
        f"{k},vision.read,{20_000 * k + 6100},{status}\n" for k in range(80)
    )  # fmt: skip
    run = read(tmp_path, f"{head}\n{text}")
    assert run.set_aside.counts["missing value"] == 80


def test_a_call_whose_length_was_lost_is_damage():
    """Its word stands beside lengths elsewhere, or its name is that of a call without a value."""
    head = "t_ms,status,name,took_ms"
    lost = [row if k % 9 else (row[0], row[1], "") for k, row in enumerate(CALLS)]
    text = "\n".join([head, *(f"{at},ok,{name},{us}" for at, name, us in lost)]) + "\n"
    dialect = sniff(text, "a.csv")
    columns = heads(dialect.header)
    assert other_kinds(columns, dialect, columns[3]) is None
    failed = "\n".join([head, *(f"{at},{'ok' if us else 'failed'},{n},{us}" for at, n, us in lost)])
    dialect = sniff(failed + "\n", "a.csv")
    columns = heads(dialect.header)
    kinds = other_kinds(columns, dialect, columns[3])
    assert kinds is not None
    assert not kinds.are_others(columns[2], columns)
