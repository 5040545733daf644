"""The Python recorder, run for real in programs of its own; its logs are read back here."""

import ast
import sys
import threading
import types
from pathlib import Path

import pytest

from looptime import recorders
from looptime.recorders import looptime_recorder, looptime_recorder_micro
from tests.recorders.misuse import check_woken_once
from tests.recorders.shared import AnyRecorder
from tests.recorders.support import finish, read

RUNS = Path(__file__).resolve().with_name("python_runs.py")


def run(name: str, folder: Path) -> str:
    """Run to the end and return what was printed."""
    done = finish(sys.executable, "-W", "error", RUNS, name, folder)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


class TestPython(AnyRecorder):
    """What holds for any recorder."""

    recorder, main, worker_overflow = "python 1", "MainThread", "overflow_worker"
    row_ns = (50, 100_000)

    @pytest.fixture
    def command(self):
        """The words that start a run, where any warning is an error."""
        return lambda name, folder: [
            sys.executable, "-W", "error", str(RUNS), name, str(folder),
        ]  # fmt: skip


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
