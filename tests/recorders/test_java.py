"""The Java recorder, compiled and run for real; its logs are read back here."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from looptime.recorders import sources
from tests.conftest import need_tool
from tests.recorders.shared import (
    check_killed,
    check_nesting,
    check_overflow,
    check_threads,
    check_worker_overflow,
)
from tests.recorders.support import finish, read

HERE = Path(__file__).resolve().parent
ROW_NS = (10, 20_000)  # what a timed call may cost at all, whatever the machine


@pytest.fixture(scope="module")
def classes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled recorder and runs, for Java 8; warnings are errors but for the age of 8."""
    folder = tmp_path_factory.mktemp("java")
    options = ["--release", "8", "-Xlint:all,-options,-try", "-Werror", "-d", str(folder)]
    files = [str(sources()["java"]), str(HERE / "java" / "Runs.java")]
    done = subprocess.run(
        [need_tool("javac"), *options, *files], check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return folder


def command(classes: Path, run: str, folder: Path) -> list[str]:
    return [need_tool("java"), "-cp", str(classes), "Runs", run, str(folder)]


def run(classes: Path, name: str, folder: Path) -> str:
    """Run to the end and return what was printed."""
    done = subprocess.run(
        command(classes, name, folder), check=False, capture_output=True, text=True, timeout=600
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


def test_plain_run(classes, tmp_path):
    """Loops, nesting, signals, hand-over between threads, phases and remarks all come back."""
    run(classes, "plain", tmp_path)
    log = read(tmp_path / "log-001.csv")
    assert log.meta["looptime-recorder"] == "java 1"
    assert log.meta["clock"] == "monotonic"
    assert log.meta["robot"] == "tray-carrier"
    assert log.meta["note"] == "one line and no other"
    assert log.meta["dropped"] == "0"
    assert ROW_NS[0] <= int(log.meta["row_cost_ns"]) <= ROW_NS[1]
    main = log.threads()["main"]
    assert [int(row["seq"]) for row in main] == list(range(len(main)))
    assert [row["loop"] for row in log.named("loop")] == ["0", "1", "2", "3"]
    assert [row["phase"] for row in log.named("loop")] == ["standby"] * 2 + ["operator"] * 2
    assert [row["value"] for row in log.named("heading_deg")] == ["0", "-0.25", "-0.5", "-0.75", ""]
    assert {row["mark"] for row in log.named("heading_deg")} == {"signal"}
    by_loop = [sum(row["loop"] == str(k) for row in main) for k in range(-1, 5)]
    # four of nested(); then a signal, a call that fails and the loop itself; 4 has no end
    assert by_loop == [4, 7, 7, 7, 8, 6]
    check_nesting(log, "drive.update", 'encoder, "left"', 3)


def test_reading_handed_over(classes, tmp_path):
    """A reading is published after it was taken and used after it was published."""
    run(classes, "plain", tmp_path)
    log = read(tmp_path / "log-001.csv")
    taken, published = log.threads()["reader"]
    (used,) = [row for row in log.rows if row["mark"] == "used"]
    assert (taken["mark"], published["mark"]) == ("", "published")
    assert taken["name"] == published["name"] == used["name"] == "drive.update"
    assert taken["loop"] == published["loop"] == used["loop"] == "3"
    end = float(taken["start_us"]) + float(taken["duration_us"])
    assert end <= float(published["start_us"]) <= float(used["start_us"])
    assert float(published["duration_us"]) == float(used["duration_us"]) == 0


def test_new_run_keeps_the_old_file(classes, tmp_path):
    """Each run takes the next free number and leaves what is there as it was."""
    (tmp_path / "log-001.csv").write_text("mine", encoding="utf-8")
    for _ in range(2):
        run(classes, "plain", tmp_path)
    assert (tmp_path / "log-001.csv").read_text(encoding="utf-8") == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"log-00{n}.csv" for n in (1, 2, 3)]


def test_no_file_no_harm(classes, tmp_path):
    """A folder that cannot be made costs the log, never the robot's program."""
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    done = subprocess.run(
        command(classes, "plain", tmp_path / "taken" / "logs"),
        check=False,
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0
    assert done.stderr.startswith("looptime recorder: no log from here on")
    assert done.stderr.count("\n") == 1


def test_overflow_leaves_out_whole_loops(classes, tmp_path):
    """Rows kept and rows dropped add up, and each loop is there whole or not at all."""
    made = int(run(classes, "overflow", tmp_path))
    check_overflow(read(tmp_path / "log-001.csv"), made, rows_a_loop=9, too_long=7)


def test_overflow_of_another_thread_leaves_out_whole_calls(classes, tmp_path):
    """In a thread without loops, outermost calls are kept or left out with all in them."""
    made = int(run(classes, "overflow-worker", tmp_path))
    names = ['encoder, "left"'] * 3 + ["drive.update"]
    check_worker_overflow(read(tmp_path / "log-001.csv"), made, names)


def test_eight_threads(classes, tmp_path):
    """Eight threads at once: every row is there, each thread's in order, nesting right."""
    run(classes, "threads", tmp_path)
    log = read(tmp_path / "log-001.csv")
    check_threads(log, {"loop": 5000, **{f"worker{n}": 4000 for n in ("", *numbered(7))}})
    check_nesting(log, "drive.update", 'encoder, "left"', 3)
    assert len(log.named("loop")) == 1000


def numbered(count: int) -> list[str]:
    return [f"#{n}" for n in range(2, count + 1)]


def test_killed_in_mid_run(classes, tmp_path):
    """Killed without warning, the log holds all that the writer had written, in whole rows."""
    words = command(classes, "forever", tmp_path)
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        check_killed(process, tmp_path / "log-001.csv")


def test_nothing_is_allocated_after_start(classes, tmp_path):
    """The virtual machine's own count for the loop's thread: no bytes in 10,000 loops."""
    words = command(classes, "allocation", tmp_path)
    # interpreted: no compiler that steps in when it likes, and takes objects away or leaves some
    done = finish(words[0], "-Xint", *words[1:])
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == [0] * 5


def test_a_signal_to_end_keeps_the_log(classes, tmp_path):
    """A program asked to end, as when the robot is switched to new code, closes its log."""
    if sys.platform == "win32":
        pytest.skip("Windows cannot ask a program to end, only end it")
    words = command(classes, "forever", tmp_path)
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        while int(process.stdout.readline()) < 100:
            pass
        process.terminate()
        process.communicate()
    assert len(read(tmp_path / "log-001.csv").named("loop")) >= 100
    assert read(tmp_path / "log-001.csv").remarks[-1] == ["dropped", "0"]
