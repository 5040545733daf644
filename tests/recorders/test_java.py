"""The Java recorder, compiled and run for real; its logs are read back here."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from looptime.recorders import sources
from tests.conftest import need_tool
from tests.recorders.shared import AnyRecorder
from tests.recorders.support import finish, read

HERE = Path(__file__).resolve().parent


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


class TestJava(AnyRecorder):
    """What holds for any recorder."""

    recorder, main, worker_overflow = "java 1", "main", "overflow-worker"
    row_ns = (10, 20_000)

    @pytest.fixture
    def command(self, classes):
        """The words that start a run."""
        return lambda name, folder: command(classes, name, folder)


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
