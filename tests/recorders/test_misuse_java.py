"""The Java recorder in a program that does everything wrong: it counts, and throws nothing."""

import subprocess
from pathlib import Path

import pytest

from looptime.recorders import sources
from tests.conftest import need_tool
from tests.recorders.misuse import (
    check_books,
    check_clock,
    check_full,
    check_long_storm,
    check_names,
    check_places,
    check_storm,
    check_woken_once,
)
from tests.recorders.support import finish

HERE = Path(__file__).resolve().parent


@pytest.fixture(scope="module")
def classes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program, with a recorder whose clock and whose writer's sleep the program moves."""
    folder = tmp_path_factory.mktemp("java")
    text = sources()["java"].read_text(encoding="utf-8")
    for real in ("System.nanoTime()", "Thread.sleep("):
        assert real in text
        text = text.replace(real, "Planted." + real.split(".")[1])
    planted = folder / "LooptimeRecorder.java"
    planted.write_text(text, encoding="utf-8")
    options = ["--release", "8", "-Xlint:all,-options,-try", "-Werror", "-d", str(folder)]
    files = [planted, HERE / "java" / "Planted.java", HERE / "java" / "Misuse.java"]
    done = subprocess.run(
        [need_tool("javac"), *options, *map(str, files)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return folder


def command(classes: Path, mode: str, folder: Path, *words: object) -> list[object]:
    """The words that run one mode in 48 MB of memory."""
    machine = [need_tool("java"), "-Xmx48m", "-Dfile.encoding=UTF-8", "-cp", classes]
    return [*machine, "Misuse", mode, folder, *words]


def run(classes: Path, mode: str, folder: Path, *words: object) -> list[str]:
    """Run one mode to its end; return what it printed."""
    done = finish(*command(classes, mode, folder, *words))
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("\n") == (mode == "churn"), done.stderr
    return done.stdout.splitlines()


@pytest.mark.parametrize("mode", ["numbers", "ends", "next_thread"])
def test_what_makes_no_sense_is_counted(mode: str, classes: Path, tmp_path: Path) -> None:
    """The log has a row for each good mark and a number for the others."""
    check_books(tmp_path / "log-001.csv", run(classes, mode, tmp_path))


def test_the_writer_wakes_ten_times_a_second(classes: Path, tmp_path: Path) -> None:
    """Woken once and then killed, it has left all loops finished by then, and nothing else."""
    assert run(classes, "killed", tmp_path) == ["100"]
    check_woken_once(tmp_path / "log-001.csv")


def test_names(classes: Path, tmp_path: Path) -> None:
    """Every name is on one line in UTF-8; those beyond the table share one, none is empty."""
    printed = run(classes, "names", tmp_path)
    check_names(tmp_path / "log-001.csv", printed, table=1 << 14, made_up=17_000)


def test_no_name_leads_out_of_the_folder(classes: Path, tmp_path: Path) -> None:
    """Each file lies in the folder that was named, whatever its name."""
    check_places(tmp_path, run(classes, "places", tmp_path / "logs"))


def test_clock_that_steps(classes: Path, tmp_path: Path) -> None:
    """All rows are there, and the analyzer sets aside those that it spoilt."""
    check_clock(tmp_path / "log-001.csv", run(classes, "clock", tmp_path))


def test_threads_and_recorders_that_come_and_go(classes: Path, tmp_path: Path) -> None:
    """500 threads without a file and 100 recorders, of 0.5 MB each: 48 MB are enough."""
    assert run(classes, "churn", tmp_path) == ["ran on"]


def test_storm(classes: Path, tmp_path: Path) -> None:
    """All of it at once from five threads: rows, lost rows and ignored marks add up."""
    check_storm(tmp_path / "log-001.csv", run(classes, "storm", tmp_path, 3000, 1))


def test_more_threads_at_once_than_rings_would_fit(classes: Path, tmp_path: Path) -> None:
    """400 threads, of 0.5 MB each, were they all given a whole ring: 48 MB are enough."""
    check_books(tmp_path / "log-001.csv", run(classes, "crowd", tmp_path))


def test_full_disk(classes: Path, tmp_path: Path) -> None:
    """The storm goes on without a log."""
    check_full(tmp_path / "log-001.csv", command(classes, "storm", tmp_path, 3000, 1))


@pytest.mark.slow
def test_long_storm(classes: Path, tmp_path: Path) -> None:
    """The same for a minute."""
    check_long_storm(tmp_path, lambda folder, seed: run(classes, "storm", folder, 20_000, seed))
