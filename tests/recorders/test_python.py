"""The Python recorder, run for real in programs of its own; its logs are read back here."""

import ast
import subprocess
import sys
import threading
import types
from pathlib import Path

import pytest

from looptime import recorders
from looptime.recorders import looptime_recorder, looptime_recorder_micro
from tests.recorders.misuse import check_woken_once
from tests.recorders.shared import (
    check_killed,
    check_nesting,
    check_overflow,
    check_threads,
    check_worker_overflow,
)
from tests.recorders.support import finish, read

RUNS = Path(__file__).resolve().with_name("python_runs.py")
ROW_NS = (50, 100_000)  # what a timed call may cost at all, whatever the machine


def run(name: str, folder: Path) -> str:
    """Run to the end and return what was printed."""
    done = finish(sys.executable, "-W", "error", RUNS, name, folder)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


def test_plain_run(tmp_path):
    """Loops, nesting, signals, hand-over between threads, phases and remarks all come back."""
    run("plain", tmp_path)
    log = read(tmp_path / "log-001.csv")
    assert log.meta["looptime-recorder"] == "python 1"
    assert log.meta["clock"] == "monotonic"
    assert log.meta["robot"] == "tray-carrier"
    assert log.meta["note"] == "one line and no other"
    assert log.meta["dropped"] == "0"
    assert ROW_NS[0] <= int(log.meta["row_cost_ns"]) <= ROW_NS[1]
    main = log.threads()["MainThread"]
    assert [int(row["seq"]) for row in main] == list(range(len(main)))
    assert [row["loop"] for row in log.named("loop")] == ["0", "1", "2", "3"]
    assert [row["phase"] for row in log.named("loop")] == ["standby"] * 2 + ["operator"] * 2
    signals = log.named("heading_deg")
    assert [float(row["value"]) for row in signals[:4]] == [0, -0.25, -0.5, -0.75]
    assert signals[4]["value"] == ""
    assert {row["mark"] for row in signals} == {"signal"}
    by_loop = [sum(row["loop"] == str(k) for row in main) for k in range(-1, 5)]
    # four of nested(); then a signal, a call that fails and the loop itself; 4 has no end
    assert by_loop == [4, 7, 7, 7, 8, 6]
    check_nesting(log, "drive.update", 'encoder, "left"', 3)


def test_reading_handed_over(tmp_path):
    """A reading is published after it was taken and used after it was published."""
    run("plain", tmp_path)
    log = read(tmp_path / "log-001.csv")
    taken, published = log.threads()["reader"]
    (used,) = [row for row in log.rows if row["mark"] == "used"]
    assert (taken["mark"], published["mark"]) == ("", "published")
    assert taken["name"] == published["name"] == used["name"] == "drive.update"
    assert taken["loop"] == published["loop"] == used["loop"] == "3"
    end = float(taken["start_us"]) + float(taken["duration_us"])
    assert end <= float(published["start_us"]) <= float(used["start_us"])
    assert float(published["duration_us"]) == float(used["duration_us"]) == 0


def test_new_run_keeps_the_old_file(tmp_path):
    """Each run takes the next free number and leaves what is there as it was."""
    (tmp_path / "log-001.csv").write_text("mine", encoding="utf-8")
    for _ in range(2):
        run("plain", tmp_path)
    assert (tmp_path / "log-001.csv").read_text(encoding="utf-8") == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"log-00{n}.csv" for n in (1, 2, 3)]


def test_no_file_no_harm(tmp_path):
    """A folder that cannot be made costs the log, never the robot's program."""
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    done = finish(sys.executable, RUNS, "plain", tmp_path / "taken" / "logs")
    assert done.returncode == 0
    assert done.stderr.startswith("looptime recorder: no log from here on")
    assert done.stderr.count("\n") == 1


def test_overflow_leaves_out_whole_loops(tmp_path):
    """Rows kept and rows dropped add up, and each loop is there whole or not at all."""
    made = int(run("overflow", tmp_path))
    check_overflow(read(tmp_path / "log-001.csv"), made, rows_a_loop=9, too_long=7)


def test_overflow_of_another_thread_leaves_out_whole_calls(tmp_path):
    """In a thread without loops, outermost calls are kept or left out with all in them."""
    made = int(run("overflow_worker", tmp_path))
    names = ['encoder, "left"'] * 3 + ["drive.update"]
    check_worker_overflow(read(tmp_path / "log-001.csv"), made, names)


def test_eight_threads(tmp_path):
    """Eight threads at once: every row is there, each thread's in order, nesting right."""
    run("threads", tmp_path)
    log = read(tmp_path / "log-001.csv")
    workers = ["worker", *(f"worker#{n}" for n in range(2, 8))]
    check_threads(log, {"loop": 5000, **dict.fromkeys(workers, 4000)})
    check_nesting(log, "drive.update", 'encoder, "left"', 3)
    assert len(log.named("loop")) == 1000


def test_killed_in_mid_run(tmp_path):
    """Killed without warning, the log holds all that the writer had written, in whole rows."""
    words = [sys.executable, str(RUNS), "forever", str(tmp_path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        check_killed(process, tmp_path / "log-001.csv")


def test_program_that_ends_without_closing_keeps_its_log(tmp_path):
    """The rows are written when the interpreter ends, without a word on the console."""
    run("unclosed", tmp_path)
    log = read(tmp_path / "log-001.csv")
    assert [row["loop"] for row in log.named("loop")] == ["0", "1"]
    assert log.remarks[-1] == ["dropped", "0"]


def test_collector_has_nothing_to_do(tmp_path):
    """Marks do not call the collector: each new row frees an old one."""
    assert int(run("collector", tmp_path)) == 0  # 10,000 new objects would call it 14 times


def test_the_writer_wakes_ten_times_a_second(tmp_path, monkeypatch):
    """Woken once and then left asleep, it has written all loops finished by then."""
    asked, asleep, go = [], threading.Semaphore(0), threading.Semaphore(0)

    class Planted(threading.Event):
        def wait(self, timeout=None):
            asked.append(timeout)
            asleep.release()
            go.acquire()
            return self.is_set()

    planted = types.SimpleNamespace(**{**vars(threading), "Event": Planted})
    monkeypatch.setattr(looptime_recorder, "threading", planted)
    rec = looptime_recorder.start(tmp_path, "log")
    call = rec.call("call")
    for n in range(20):
        rec.loop()
        with call:
            pass
        if n == 10:
            asleep.acquire()
            go.release()
            asleep.acquire()
    check_woken_once(tmp_path / "log-001.csv")
    assert asked == [0.1, 0.1]
    rec.close()
    go.release()


def test_source_is_python_3_8():
    """The file uses no syntax newer than Python 3.8."""
    ast.parse(recorders.read_source("python"), feature_version=(3, 8))


def test_unknown_language_lists_those_there_are():
    """Asking for a recorder that is not there names the ones that are."""
    with pytest.raises(ValueError, match=r"java, .*python"):
        recorders.read_source("cuneiform")


def test_every_source_is_there():
    """Each language has a file of its own, which states what may be done with it."""
    for language in recorders.sources():
        assert "SPDX-License-Identifier: MIT-0" in recorders.read_source(language)


def test_whole_microseconds_keep_calls_within_each_other(tmp_path, monkeypatch):
    """Start and end are each cut to the microsecond, so that no inner call ends after its outer."""
    now = [0]
    monkeypatch.setattr(looptime_recorder, "_clock", lambda: now[0])
    with looptime_recorder.start(tmp_path, "log", decimals=0) as rec:
        outer, inner = rec.call("outer"), rec.call("inner")
        now[0] = 1_950
        with outer:
            now[0] = 2_000
            with inner:
                now[0] = 5_005
            now[0] = 5_010
    rows = read(tmp_path / "log-001.csv").rows
    spans = {row["name"]: (int(row["start_us"]), int(row["duration_us"])) for row in rows}
    assert spans == {"inner": (2, 3), "outer": (1, 4)}


def test_a_name_like_a_remark_is_quoted():
    """What a reader could take for a remark, a new cell or a new line stands in quotes."""
    names = {"gyro.read": "gyro.read", "#1 wheel": '"#1 wheel"', "a,b": '"a,b"', 'a"b': '"a""b"'}
    assert {name: looptime_recorder._quoted(name) for name in names} == names


@pytest.mark.parametrize("recorder", [looptime_recorder, looptime_recorder_micro])
def test_a_name_cannot_begin_a_new_cell_or_line(recorder):
    """Commas stand in quotes and line ends become spaces, in the small recorder as well."""
    for name, written in {"a,b": '"a,b"', "a\nb": "a b", "a\rb,": '"a b,"'}.items():
        assert recorder._quoted(recorder._text(name)) == written
    assert recorder._quoted("gyro.read") == "gyro.read"
