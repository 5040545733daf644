"""The small-Python recorder in a program that does everything wrong, on each interpreter."""

from pathlib import Path

import pytest

from looptime.recorders import looptime_recorder_micro as micro
from tests.recorders.misuse import (
    check_books,
    check_full,
    check_long_storm,
    check_names,
    check_places,
    check_read,
    check_storm,
)
from tests.recorders.support import finish
from tests.recorders.test_micro import INTERPRETERS, command

PROGRAM = Path(__file__).resolve().parent / "micro" / "misuse.py"


def run(interpreter: str, mode: str, folder: Path, *words: object) -> list[str]:
    """Run one mode to its end; return what it printed."""
    done = finish(*command(interpreter, mode, folder, *words, program=PROGRAM))
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    return done.stdout.splitlines()


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_value_that_is_no_number(interpreter: str, tmp_path: Path) -> None:
    """None, a word, an object that fails or infinity leaves a row without a value."""
    printed = run(interpreter, "values", tmp_path)
    log = check_books(tmp_path / "log-001.csv", printed[1:])
    assert {row["value"] for row in log.named("heading_deg")} == {"", "7"}


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_ends_without_a_begin(interpreter: str, tmp_path: Path) -> None:
    """They are counted, as are calls nested too deep, and what follows is in its place."""
    check_books(tmp_path / "log-001.csv", run(interpreter, "ends", tmp_path)[1:])


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_names(interpreter: str, tmp_path: Path) -> None:
    """Every name is on one line; those beyond the table share one, none is empty."""
    printed = run(interpreter, "names", tmp_path)[1:]
    check_names(tmp_path / "log-001.csv", printed, table=micro.MOST_NAMES, made_up=400, threads=1)


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_nowhere_to_write(interpreter: str, tmp_path: Path) -> None:
    """A folder that cannot be one costs the log, with one line, never the program."""
    printed = run(interpreter, "nowhere", tmp_path)
    assert printed[-1] == "ran on"


@pytest.mark.parametrize("interpreter", INTERPRETERS[:2])
def test_no_name_leads_out_of_the_folder(interpreter: str, tmp_path: Path) -> None:
    """Each file lies in the folder that was named, whatever its name."""
    check_places(tmp_path, run(interpreter, "places", tmp_path / "logs"))


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_clock_that_steps(interpreter: str, tmp_path: Path) -> None:
    """A row for every mark, none shorter than nothing; the analyzer reads the log."""
    path = tmp_path / "log-001.csv"
    log = check_books(path, run(interpreter, "clock", tmp_path)[1:])
    assert all(int(row["duration_us"]) >= 0 for row in log.rows)
    check_read(path, log)


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_storm(interpreter: str, tmp_path: Path) -> None:
    """All of it at once: rows, lost rows and ignored marks add up."""
    printed = run(interpreter, "storm", tmp_path, 3000, 1)
    check_storm(tmp_path / "log-001.csv", printed[1:])


@pytest.mark.parametrize("interpreter", INTERPRETERS[:2])
def test_full_disk(interpreter: str, tmp_path: Path) -> None:
    """The storm goes on without a log; a board cannot take back the part of a row."""
    words = command(interpreter, "storm", tmp_path, 3000, 1, program=PROGRAM)
    check_full(tmp_path / "log-001.csv", words, cut=True, blocks=64)


@pytest.mark.slow
@pytest.mark.parametrize("interpreter", INTERPRETERS[:2])
def test_long_storm(interpreter: str, tmp_path: Path) -> None:
    """The same for a minute."""

    def storm(folder: Path, seed: int) -> list[str]:
        return run(interpreter, "storm", folder, 20_000, seed)[1:]

    check_long_storm(tmp_path, storm)
