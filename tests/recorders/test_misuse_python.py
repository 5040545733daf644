"""The Python recorder in a program that does everything wrong: it counts, and raises nothing."""

import sys
from pathlib import Path

import pytest

from looptime.recorders import looptime_recorder
from tests.recorders.misuse import (
    check_books,
    check_clock,
    check_full,
    check_long_storm,
    check_names,
    check_places,
    check_storm,
)
from tests.recorders.support import finish

PROGRAM = Path(__file__).resolve().with_name("python_misuse.py")


def run(mode: str, folder: Path, *words: object) -> list[str]:
    """Run one mode to its end, where any warning is an error; return what it printed."""
    done = finish(sys.executable, "-W", "error", PROGRAM, mode, folder, *words)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout.splitlines()


def test_value_that_is_no_number(tmp_path: Path) -> None:
    """None, a word or an object that fails leaves a row without a value."""
    log = check_books(tmp_path / "log-001.csv", run("values", tmp_path))
    assert {row["value"] for row in log.named("heading_deg")} == {""}


@pytest.mark.parametrize("mode", ["ends", "next_thread", "forked", "locked"])
def test_what_makes_no_sense_is_counted(mode: str, tmp_path: Path) -> None:
    """The log has a row for each good mark and a number for the others."""
    check_books(tmp_path / "log-001.csv", run(mode, tmp_path))


def test_names(tmp_path: Path) -> None:
    """Every name is on one line in UTF-8; those beyond the table share one, none is empty."""
    most = looptime_recorder.MOST_NAMES
    check_names(tmp_path / "log-001.csv", run("names", tmp_path), table=most, made_up=most + 100)


def test_no_name_leads_out_of_the_folder(tmp_path: Path) -> None:
    """Each file lies in the folder that was named, whatever its name."""
    check_places(tmp_path, run("places", tmp_path / "logs"))


def test_clock_that_steps(tmp_path: Path) -> None:
    """All rows are there, and the analyzer sets aside those that it spoilt."""
    check_clock(tmp_path / "log-001.csv", run("clock", tmp_path))


def test_nowhere_to_write(tmp_path: Path) -> None:
    """Without folder and console nothing is raised, and no thread that ended keeps its ring."""
    few = 10  # of the threads that started the recordings
    assert int(run("nowhere", tmp_path)[0]) < few


def test_storm(tmp_path: Path) -> None:
    """All of it at once from five threads: rows, lost rows and ignored marks add up."""
    check_storm(tmp_path / "log-001.csv", run("storm", tmp_path, 1500, 1))


def test_more_threads_at_once_than_rings_would_fit(tmp_path: Path) -> None:
    """Rings of 300 threads have no more rows than are kept in all, and few each beyond."""
    most, few = looptime_recorder.ROWS_IN_ALL, looptime_recorder.FEW_ROWS
    rows = int(run("crowd", tmp_path)[0])
    assert rows <= most + 300 * few


def test_full_disk(tmp_path: Path) -> None:
    """The storm goes on without a log."""
    check_full(tmp_path / "log-001.csv", [sys.executable, PROGRAM, "storm", tmp_path, 1500, 1])


@pytest.mark.slow
def test_long_storm(tmp_path: Path) -> None:
    """The same for a minute."""
    check_long_storm(tmp_path, lambda folder, seed: run("storm", folder, 10_000, seed))
