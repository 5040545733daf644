"""What holds for the log of a robot's program that misuses any of the recorders."""

import itertools
import shutil
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import looptime
from tests.recorders.support import Log, finish, read

__all__ = [
    "check_books",
    "check_clock",
    "check_full",
    "check_long_storm",
    "check_names",
    "check_places",
    "check_read",
    "check_storm",
    "check_woken_once",
]


def counted(printed: list[str]) -> dict[str, int]:
    """What the program says that the log must add up to: lines such as `made 11`."""
    return {key: int(value) for key, value in (line.split() for line in printed)}


def check_books(path: Path, printed: list[str]) -> Log:
    """Rows and lost rows make up the good marks; the others are counted; looptime reads it all."""
    log = read(path)
    said = counted(printed)
    assert len(log.rows) + int(log.meta["dropped"]) == said["made"]
    assert int(log.meta.get("ignored", "0")) == said["ignored"]
    assert all(row["name"] for row in log.rows)
    for rows in log.threads().values():
        assert all(int(a["seq"]) < int(b["seq"]) for a, b in itertools.pairwise(rows))
    return log


def check_read(path: Path, log: Log) -> list[looptime.Run]:
    """The analyzer finds as many rows as the csv module does, and uses them or says why not."""
    found = looptime.read_log(path)
    assert found.rows_read == len(log.rows)
    assert found.rows_read == found.rows_used + sum(found.rows_by_reason.values())
    return list(found.runs)


def check_names(
    path: Path, printed: list[str], table: int, made_up: int = 6000, threads: int = 6
) -> None:
    """Names stay apart, on one line and in UTF-8; the table is as full as it can be."""
    log = check_books(path, printed)
    rows = Counter(row["name"] for row in log.rows)
    kept = sum(name.startswith("made up ") for name in rows)
    assert table - 50 < kept < table
    assert rows["too-many-names"] == made_up - kept
    assert {"a,b", 'a"b', "line break", "café", "unnamed", "next line", "tab bell"} <= set(rows)
    assert max(map(len, rows)) <= 400
    assert not any(c < " " or c == "\x7f" for name in rows for c in name)
    assert {row["phase"] for row in log.rows} <= {"", "automatic now"}
    assert log.meta["note"] == "one line only"
    (run,) = check_read(path, log)
    # spellings of one name that differ by blanks alone are taken together
    assert {" ".join(name.name.split()) for name in run.names} >= {
        " ".join(name.split()) for name in rows
    } - {"loop"}
    assert sorted(run.thread_names) == sorted({row["thread"] for row in log.rows})
    assert len(run.thread_names) == threads


def check_places(folder: Path, printed: list[str]) -> None:
    """All files made lie in `logs`, each under the name that was printed."""
    made = sorted(path for path in folder.rglob("*") if path.is_file())
    assert made == sorted(map(Path, printed))
    assert {path.parent for path in made} == {folder / "logs"}
    assert all(path.name.endswith("-001.csv") for path in made)
    assert all(path.read_bytes() for path in made)


def check_woken_once(path: Path) -> None:
    """Ten loops and the calls in them: what was finished when the writer woke."""
    log = read(path)
    assert [int(row["loop"]) for row in log.named("loop")] == list(range(10))
    assert [int(row["loop"]) for row in log.named("call")] == list(range(10))
    assert len(log.rows) == 20


def check_clock(path: Path, printed: list[str]) -> None:
    """Every mark has its row; what would last less than nothing is set aside by the analyzer."""
    log = check_books(path, printed)
    assert len(log.rows) == counted(printed)["made"]
    backwards = sum(float(row["duration_us"]) < 0 for row in log.rows)
    assert backwards > 0
    runs = check_read(path, log)
    for_that = ("negative duration", "corrupt stamp")
    spoilt = sum(run.set_aside.counts.get(reason, 0) for run in runs for reason in for_that)
    assert spoilt >= backwards
    assert all((run.call_columns.duration_ns >= 0).all() for run in runs)
    assert all((run.loop_columns.period_ns > 0).all() for run in runs)


def check_long_storm(folder: Path, storm: Callable[[Path, int], list[str]]) -> None:
    """A minute of storms, each by another chance; `storm(folder, seed)` returns what it printed."""
    begin = time.monotonic()
    for seed in itertools.count(1):
        check_storm(folder / f"{seed}" / "log-001.csv", storm(folder / f"{seed}", seed))
        shutil.rmtree(folder / f"{seed}")
        if time.monotonic() > begin + 60:
            return


def check_full(path: Path, command: list[object], cut: bool = False, blocks: int = 400) -> None:
    """Where the disk takes no more, the program runs on, one line says so, and rows are whole."""
    limit = ["sh", "-c", f'trap "" XFSZ; ulimit -f {blocks}; exec "$@"', "sh"]  # of 512 bytes
    done = finish(*limit, *command)
    assert done.returncode == 0, done.stdout + done.stderr
    said = [one for one in (done.stdout + done.stderr).splitlines() if "no log from" in one]
    assert 1 <= len(said) <= 2  # a storm has two recorders
    assert all("recorder: no log from here on: " in one for one in said)
    text = path.read_text(encoding="utf-8")
    assert 1000 < len(text) <= blocks * 512
    if not cut:
        assert len(read(path).rows) > 10
    if text.count("loop,") > 3:  # which thread's rows the disk still took is the scheduler's affair
        assert looptime.read_log(path).rows_read > 10


def check_storm(path: Path, printed: list[str]) -> None:
    """The books balance, and the analyzer reads what the storm left."""
    log = check_books(path, printed)
    assert int(log.meta["ignored"]) > 0
    assert {row["thread"] for row in log.rows} <= {"main", *(f"worker {n}" for n in range(4))}
    check_read(path, log)
