"""The C++ recorder in a program that does everything wrong: it counts, and harms nothing."""

import signal
from pathlib import Path

import pytest

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
from tests.recorders.support import finish, read
from tests.recorders.test_cpp import build, run

SANITIZED = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]


@pytest.fixture(scope="module")
def misuse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program, watched by sanitizers: a fault of memory or an undefined step ends it."""
    return build(tmp_path_factory.mktemp("cpp"), "misuse.cpp", *SANITIZED)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program as it is, whose memory is its own and which may fork beside its threads."""
    return build(tmp_path_factory.mktemp("plain"), "misuse.cpp", "-O2")


@pytest.mark.parametrize("mode", ["numbers", "deep", "late", "forked"])
def test_what_makes_no_sense_is_counted(mode: str, misuse: Path, tmp_path: Path) -> None:
    """The log has a row for each good mark and a number for the others."""
    check_books(tmp_path / "log-001.csv", run(misuse, mode, tmp_path))


def test_the_writer_wakes_ten_times_a_second(misuse: Path, tmp_path: Path) -> None:
    """Woken once and then killed, it has left all loops finished by then, and nothing else."""
    done = finish(misuse, "killed", tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (-signal.SIGKILL, "100\n", "")
    check_woken_once(tmp_path / "log-001.csv")


def test_names(misuse: Path, tmp_path: Path) -> None:
    """Every name is on one line in UTF-8; those beyond the table share one, none is empty."""
    printed = run(misuse, "names", tmp_path)
    check_names(tmp_path / "log-001.csv", printed, table=4096)


def test_no_name_leads_out_of_the_folder(misuse: Path, tmp_path: Path) -> None:
    """Each file lies in the folder that was named, whatever its name."""
    check_places(tmp_path, run(misuse, "places", tmp_path / "logs"))


def test_clock_that_steps(misuse: Path, tmp_path: Path) -> None:
    """All rows are there, and the analyzer sets aside those that it spoilt."""
    check_clock(tmp_path / "log-001.csv", run(misuse, "clock", tmp_path))


def test_no_thread_to_be_had(misuse: Path, tmp_path: Path) -> None:
    """Where the system refuses a thread the robot's program runs on; one line says so."""
    done = finish(misuse, "refused", tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("\n") == 1
    assert "no log from here on" in done.stderr


def test_threads_and_recorders_that_come_and_go(plain: Path, tmp_path: Path) -> None:
    """Without a file 1,000 threads, with one 200 recorders: memory stays within a few rings."""
    done = finish(plain, "churn", tmp_path / "logs")
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("no log from here on") == 1
    assert int(done.stdout) < 40_000, "KiB; a ring has 512, and there were 1,200"


def test_a_lock_that_is_held_when_the_program_forks(plain: Path, tmp_path: Path) -> None:
    """The child marks, names and ends, whatever another thread of its parent just did."""
    check_books(tmp_path / "log-001.csv", run(plain, "locked", tmp_path))


def test_more_threads_at_once_than_rings_would_fit(plain: Path, tmp_path: Path) -> None:
    """400 threads, which would have 200 MB, take no more than 64 whole rings."""
    (kib,) = run(plain, "crowd", tmp_path)
    assert int(kib) < 80_000
    log = read(tmp_path / "log-001.csv")
    assert (len(log.rows), log.meta["dropped"]) == (4 * 400 + 1, "0")


def test_full_disk(misuse: Path, tmp_path: Path) -> None:
    """The storm goes on without a log."""
    check_full(tmp_path / "log-001.csv", [misuse, "storm", tmp_path, 3000, 1])


@pytest.fixture(params=["address,undefined", "thread"])
def watched(request: pytest.FixtureRequest, misuse: Path, tmp_path: Path) -> Path:
    """The program watched for faults of memory and undefined steps, and for races."""
    if request.param != "thread":
        return misuse
    return build(tmp_path, "misuse.cpp", "-O1", "-g", "-fsanitize=thread")


def test_storm(watched: Path, tmp_path: Path) -> None:
    """All of it at once from five threads: rows, lost rows and ignored marks add up."""
    check_storm(tmp_path / "log-001.csv", run(watched, "storm", tmp_path, 1500, 1))


@pytest.mark.slow
def test_long_storm(watched: Path, tmp_path: Path) -> None:
    """The same for a minute."""
    check_long_storm(tmp_path, lambda folder, seed: run(watched, "storm", folder, 20_000, seed))
