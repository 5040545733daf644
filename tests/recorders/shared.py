"""What holds for a log of the Java and the Python recorder alike."""

import subprocess
from collections import Counter
from pathlib import Path

from tests.recorders.support import Log, nanoseconds

__all__ = [
    "check_killed",
    "check_nesting",
    "check_overflow",
    "check_threads",
    "check_worker_overflow",
]


def check_nesting(log: Log, outer: str, inner: str, count: int) -> None:
    """Each outer call with inner ones encloses `count` that follow one another before its row."""
    checked = 0
    for rows in log.threads().values():
        for at, row in enumerate(rows):
            if row["name"] != outer or row["mark"] or at < count:
                continue
            if rows[at - 1]["name"] != inner:
                continue
            begin, end = nanoseconds(row)
            spans = [nanoseconds(r) for r in rows[at - count : at] if r["name"] == inner]
            instants = [begin, *(t for span in spans for t in span), end]
            assert len(spans) == count
            assert instants == sorted(instants)
            checked += 1
    assert checked > 0


def check_overflow(log: Log, made: int, rows_a_loop: int, too_long: int) -> None:
    """Every loop is whole or missing, and the missing rows are counted."""
    by_loop = Counter(int(row["loop"]) for row in log.rows)
    unfinished = by_loop.pop(max(by_loop))
    assert set(by_loop.values()) == {rows_a_loop}
    assert unfinished in (rows_a_loop - 1, rows_a_loop)
    assert too_long not in by_loop
    assert max(by_loop) > too_long
    dropped = int(log.meta["dropped"])
    assert 0 < dropped < made
    assert len(log.rows) + dropped == made
    seq = [int(row["seq"]) for row in log.rows]
    assert seq == sorted(set(seq))
    assert seq[-1] < made


def check_worker_overflow(log: Log, made: int, names: list[str]) -> None:
    """Outermost calls, each of the rows named, are whole or missing, and what misses is counted."""
    rows = log.threads()["worker"]
    assert [row["name"] for row in rows] == names * (len(rows) // len(names))
    for at in range(0, len(rows), len(names)):
        first = int(rows[at]["seq"])
        group = [int(row["seq"]) for row in rows[at : at + len(names)]]
        assert group == list(range(first, first + len(names)))
    dropped = int(log.meta["dropped"])
    assert 0 < dropped < made
    assert len(rows) + dropped == made


def check_threads(log: Log, rows: dict[str, int]) -> None:
    """Each thread has all its rows, numbered without a gap and in the order of their ends."""
    threads = log.threads()
    assert {name: len(of) for name, of in threads.items()} == rows
    for of in threads.values():
        assert [int(row["seq"]) for row in of] == list(range(len(of)))
        ends = [nanoseconds(row)[1] for row in of if row["name"] != "loop"]
        assert ends == sorted(ends)
    assert log.meta["dropped"] == "0"


def check_killed(process: subprocess.Popen[str], path: Path, blocks: int = 3) -> None:
    """Kill a program that prints the number of each loop, after so many blocks of its writer's own.

    The log then consists of whole rows, has all that was in it before, and nothing made up.
    """
    assert process.stdout is not None
    printed, sizes = -1, {path.stat().st_size if path.exists() else 0}
    while len(sizes) <= blocks:
        printed = int(process.stdout.readline())
        sizes.add(path.stat().st_size)
    seen = _finished(path.read_text(encoding="utf-8"))
    process.kill()
    rest = process.communicate()[0].split("\n")[:-1]
    text = path.read_text(encoding="utf-8")
    assert text.endswith("\n")
    assert _finished(text)[: len(seen)] == seen
    assert _finished(text) == list(range(len(_finished(text))))
    assert len(seen) - 1 <= _finished(text)[-1] <= max([printed, *map(int, rest)])


def _finished(text: str) -> list[int]:
    """The numbers of the loops whose rows are in the text, which may end within a row."""
    whole = Log(text[: text.rindex("\n") + 1])
    return [int(row["loop"]) for row in whole.named("loop")]
