"""The small-Python recorder, run for real: on MicroPython (64 and 32 bits) and on CPython.

MicroPython's unix port is any `micropython` on the path or beside this interpreter. Its WebAssembly
port, a 32-bit machine as small boards are, is looked for in `.venv/node` of the checkout; Node runs
it.
"""

import ast
import itertools
import os
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.conftest import need_tool
from tests.recorders.support import Log, check_run, finish, read, unix_port

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
RECORDERS = ROOT / "looptime" / "recorders"
PROGRAM = HERE / "micro" / "runs.py"
PORT = ROOT / ".venv/node/node_modules/@micropython/micropython-webassembly-pyscript"
INTERPRETERS = ["cpython", "unix port", "32-bit port"]


def command(
    interpreter: str,
    mode: str,
    folder: Path,
    *words: object,
    wrap: str = "later",
    program: Path = PROGRAM,
) -> list:
    """Return the words that start one run of a test program."""
    if interpreter == "cpython":
        return [sys.executable, program, RECORDERS, mode, folder, *words]
    if interpreter == "unix port":
        return [unix_port(), program, RECORDERS, mode, folder, *words]
    node = need_tool("node")
    if not (PORT / "micropython.wasm").is_file():
        reason = f"needs MicroPython's WebAssembly port, which is not in {PORT}"
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(reason)
    board = HERE / "micro" / "board.mjs"
    return [node, board, PORT, RECORDERS, program, folder, wrap, mode, *words]


def record(
    interpreter: str, mode: str, folder: Path, *words: object, wrap: str = "later"
) -> tuple[Log, list[str]]:
    """Run one mode to its end; return its log and the other lines that it printed."""
    done = finish(*command(interpreter, mode, folder, *words, wrap=wrap))
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    printed = done.stdout.splitlines()
    return read(folder / Path(printed[0]).name), printed[1:]


def span_us(row: dict[str, str]) -> tuple[int, int]:
    """Start and end of a row [us]."""
    start = int(row["start_us"])
    return start, start + int(row["duration_us"])


def check_marks(log: Log, tick_us: int, most_us: float) -> None:
    """Check ten loops of at least 3 + 10 + 5 ms by a clock with this tick, and together at most."""
    loops = log.named("loop")
    assert [int(row["loop"]) for row in loops] == list(range(9))
    assert all(span_us(a)[1] == span_us(b)[0] for a, b in itertools.pairwise(loops))
    assert all(int(row["duration_us"]) >= 18_000 - tick_us for row in loops)
    assert sum(int(row["duration_us"]) for row in loops) <= most_us
    outer = log.named('drive, "all"')
    inner = [row for row in log.named("gyro.read") if not row["mark"]]
    for around, nested in zip(outer, inner, strict=True):
        (start, end), (first, last) = span_us(around), span_us(nested)
        assert start <= first <= last <= end
        assert first - start >= 3000 - tick_us
        assert last - first >= 10_000 - tick_us
    assert len(outer) == 10
    assert [int(row["seq"]) for row in log.rows] == list(range(len(log.rows)))
    phases = {(int(row["loop"]) >= 5, row["phase"]) for row in log.rows}
    assert phases == {(False, "standby"), (True, "operator")}
    signals = log.named("heading_deg")
    assert [float(row["value"]) for row in signals] == [n / 2 - 2 for n in range(10)]
    handed = [row for row in log.rows if row["mark"] in ("published", "used")]
    assert [row["mark"] for row in handed] == ["published", "used"] * 10
    assert {(row["name"], row["duration_us"]) for row in handed} == {("gyro.read", "0")}


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_marks(interpreter: str, tmp_path: Path) -> None:
    """Loops, nesting, phases, signals and handed-over readings come back as they were made."""
    begin = time.perf_counter()
    log, _ = record(interpreter, "marks", tmp_path)
    took_us = (time.perf_counter() - begin) * 1e6
    assert log.remarks[:2] == [["looptime-recorder", "micropython 1"], ["clock", "monotonic"]]
    assert int(log.meta["row_cost_ns"]) >= 0
    assert log.meta["robot"] == "tray-carrier with a line break"
    assert log.remarks[-1] == ["dropped", "0"]
    check_marks(log, 1000 if interpreter == "32-bit port" else 1, took_us)


def test_interpreters_own_counter_wraps(tmp_path: Path) -> None:
    """The 32-bit port's own ticks_us passes 2**30 in mid-run: the log's times go on."""
    log, printed = record("32-bit port", "marks", tmp_path, "near-wrap", wrap="soon")
    assert printed == ["wrapped"]
    check_marks(log, 1000, most_us=10 * 18_000 + 10 * 30 * 50)  # 30 readings a loop, and more


@pytest.mark.parametrize("interpreter", INTERPRETERS)
@pytest.mark.parametrize(
    ("start", "period"),
    [(0, 2**30), (2**30 - 3000, 2**30), (2**29 - 1, 2**29), (65_000, 2**16), (99_000, 100_003)],
)
def test_counter_wraps(interpreter: str, start: int, period: int, tmp_path: Path) -> None:
    """Whatever the counter's period, each time in the log is the planted one."""
    log, _ = record(interpreter, "wrap", tmp_path, start, period, 0)
    for name, offset, length in (("loop", 0, 5501), ("drive", 0, 4500), ("gyro.read", 1000, 3000)):
        spans = [span_us(row) for row in log.named(name)]
        assert spans == [(5501 * n + offset, 5501 * n + offset + length) for n in range(40)]
    assert [float(row["value"]) for row in log.named("heading_deg")] == [n / 4 for n in range(40)]
    assert log.meta["dropped"] == "0"


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_counter_that_steps_back(interpreter: str, tmp_path: Path) -> None:
    """A counter that is 5 ms behind for a moment makes neither a jump nor a negative time."""
    log, _ = record(interpreter, "wrap", tmp_path, 2**30 - 9000, 2**30, 5000)
    assert [int(row["start_us"]) for row in log.named("loop")] == [5501 * n for n in range(40)]
    assert all(0 <= int(row["duration_us"]) <= 5501 for row in log.rows)
    back = [row for row in log.named("heading_deg") if float(row["value"]) == -1]
    assert len(back) == 4


@pytest.mark.parametrize("interpreter", INTERPRETERS[1:])
@pytest.mark.parametrize("counter", ["own", "wrapping"])
def test_no_memory_in_the_loop(interpreter: str, counter: str, tmp_path: Path) -> None:
    """With the heap locked by the interpreter, where any allocation raises, all marks work."""
    log, _ = record(interpreter, "locked", tmp_path, counter)
    assert Counter(row["name"] for row in log.rows) == {
        **{"loop": 199, "drive": 200, "gyro.read": 600, "heading_deg": 201}
    }


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_full_arrays_are_written_between_loops(interpreter: str, tmp_path: Path) -> None:
    """Far more rows than fit: nothing is lost, and the time spent writing is in the log."""
    log, _ = record(interpreter, "full", tmp_path)
    count = Counter(row["name"] for row in log.rows)
    writes = count.pop("recorder.log")
    assert count == {"loop": 100, "step": 400}
    assert writes >= 500 // 30
    assert [int(row["seq"]) for row in log.rows] == list(range(len(log.rows)))
    assert log.meta["dropped"] == "0"
    loops = {row["loop"]: span_us(row) for row in log.named("loop")}
    for row in log.rows[:-1]:
        if row["name"] != "loop":
            start, end = loops[row["loop"]]
            assert start <= span_us(row)[0] <= span_us(row)[1] <= end


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_overflow_loses_whole_loops(interpreter: str, tmp_path: Path) -> None:
    """Written only when asked: a loop is there with all its rows or none; the rest is counted."""
    log, _ = record(interpreter, "overflow", tmp_path)
    planted = {n: 40 if n == 30 else 4 for n in range(60)}
    rows = Counter(int(row["loop"]) for row in log.rows)
    # 8 loops fit; flushed within loops 25 (given up), 29 (begun whole, as room was made) and 50
    assert sorted(rows) == [*range(8), 26, 27, 28, 29, *range(51, 59)]
    assert all(count == planted[loop] for loop, count in rows.items())
    assert int(log.meta["dropped"]) == sum(planted.values()) - len(log.rows)
    before = list(itertools.accumulate(planted.values(), initial=0))
    for row in log.rows:
        assert before[int(row["loop"])] <= int(row["seq"]) < before[int(row["loop"]) + 1]


@pytest.mark.parametrize("interpreter", INTERPRETERS)
@pytest.mark.parametrize(("mode", "words"), [("marks", ()), ("wrap", (2**30 - 9, 2**30, 0))])
def test_looptime_reads_it(interpreter: str, mode: str, words: tuple, tmp_path: Path) -> None:
    """The analyzer finds the loops and calls that are in the log."""
    record(interpreter, mode, tmp_path, *words)
    check_run(tmp_path / f"{mode}-001.csv")


@pytest.mark.parametrize("interpreter", INTERPRETERS[:2])
@pytest.mark.parametrize("count", [170, 260])
def test_killed_in_mid_run(interpreter: str, count: int, tmp_path: Path) -> None:
    """After kill -9 all but the last block is there: 60 rows, so at most 30 loops."""
    words = [str(word) for word in command(interpreter, "endless", tmp_path)]
    if interpreter == "cpython":
        words.insert(1, "-u")
    program = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    assert program.stdout is not None
    path = tmp_path / Path(program.stdout.readline().strip()).name
    last = 0
    while last < count:
        last = int(program.stdout.readline())
    program.kill()
    program.wait()
    last = max([last, *(int(n) for n in program.stdout.read().splitlines()[:-1])])
    program.stdout.close()
    loops = [int(row["loop"]) for row in read(path).named("loop")]
    assert loops == list(range(len(loops)))
    assert last - 31 <= loops[-1]


@pytest.mark.parametrize("interpreter", INTERPRETERS[:2])
def test_new_run_never_overwrites(interpreter: str, tmp_path: Path) -> None:
    """Each run takes the next free number and leaves what is there."""
    (tmp_path / "full-001.csv").write_text("precious", encoding="utf-8")
    record(interpreter, "full", tmp_path)
    record(interpreter, "full", tmp_path)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["full-001.csv", "full-002.csv", "full-003.csv"]
    assert (tmp_path / "full-001.csv").read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize("interpreter", INTERPRETERS[:2])
def test_no_folder_no_harm(interpreter: str, tmp_path: Path) -> None:
    """Where no file can be made the robot's program runs on; one line says so."""
    (tmp_path / "a file").write_text("", encoding="utf-8")
    done = finish(*command(interpreter, "full", tmp_path / "a file" / "logs"))
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("no log from here on") == 1


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_names_without_end(interpreter: str, tmp_path: Path) -> None:
    """Names made up in the loop do not fill the memory: the late ones share one."""
    log, _ = record(interpreter, "many_names", tmp_path)
    names = Counter(row["name"] for row in log.rows)
    assert names["call0"] == 1
    assert names.pop("too-many-names") == 300 - len(names)


def test_old_python_can_read_it() -> None:
    """The source keeps to the grammar of Python 3.8."""
    text = (RECORDERS / "looptime_recorder_micro.py").read_text(encoding="utf-8")
    ast.parse(text, feature_version=(3, 8))
