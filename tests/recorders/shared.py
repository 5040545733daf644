"""What holds for the Java and the Python recorder alike, and for their logs."""

import subprocess
from collections import Counter
from pathlib import Path
from typing import ClassVar

from tests.recorders.support import Log, finish, nanoseconds, read

__all__ = ["AnyRecorder", "check_killed", "check_nesting", "check_overflow"]


class AnyRecorder:
    """Tests of a recorder, which its own module derives a class of tests from.

    There a fixture ``command`` gives, by the name of a run and a folder, the words that start it.
    """

    recorder: ClassVar[str]  #: As the log names it
    main: ClassVar[str]  #: What the thread of the loop is called
    worker_overflow: ClassVar[str]  #: Name of the run in which another thread makes too many rows
    row_ns: ClassVar[tuple[int, int]]  #: What a timed call may cost at all, whatever the machine

    def run(self, command, name, folder):
        """Run to the end and return what was printed."""
        done = finish(*command(name, folder))
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        return done.stdout

    def test_plain_run(self, command, tmp_path):
        """Loops, nesting, signals, hand-over between threads, phases and remarks all come back."""
        self.run(command, "plain", tmp_path)
        log = read(tmp_path / "log-001.csv")
        assert log.meta["looptime-recorder"] == self.recorder
        assert log.meta["clock"] == "monotonic"
        assert log.meta["robot"] == "tray-carrier"
        assert log.meta["note"] == "one line and no other"
        assert log.meta["dropped"] == "0"
        assert self.row_ns[0] <= int(log.meta["row_cost_ns"]) <= self.row_ns[1]
        main = log.threads()[self.main]
        assert [int(row["seq"]) for row in main] == list(range(len(main)))
        assert [row["loop"] for row in log.named("loop")] == ["0", "1", "2", "3"]
        assert [row["phase"] for row in log.named("loop")] == ["standby"] * 2 + ["operator"] * 2
        *values, none = (row["value"] for row in log.named("heading_deg"))
        assert ([float(value) for value in values], none) == ([0, -0.25, -0.5, -0.75], "")
        assert {row["mark"] for row in log.named("heading_deg")} == {"signal"}
        by_loop = [sum(row["loop"] == str(k) for row in main) for k in range(-1, 5)]
        # four of nested(); then a signal, a call that fails and the loop itself; 4 has no end
        assert by_loop == [4, 7, 7, 7, 8, 6]
        check_nesting(log, "drive.update", 'encoder, "left"', 3)

    def test_reading_handed_over(self, command, tmp_path):
        """A reading is published after it was taken and used after it was published."""
        self.run(command, "plain", tmp_path)
        log = read(tmp_path / "log-001.csv")
        taken, published = log.threads()["reader"]
        (used,) = [row for row in log.rows if row["mark"] == "used"]
        assert (taken["mark"], published["mark"]) == ("", "published")
        assert taken["name"] == published["name"] == used["name"] == "drive.update"
        assert taken["loop"] == published["loop"] == used["loop"] == "3"
        end = float(taken["start_us"]) + float(taken["duration_us"])
        assert end <= float(published["start_us"]) <= float(used["start_us"])
        assert float(published["duration_us"]) == float(used["duration_us"]) == 0

    def test_new_run_keeps_the_old_file(self, command, tmp_path):
        """Each run takes the next free number and leaves what is there as it was."""
        (tmp_path / "log-001.csv").write_text("mine", encoding="utf-8")
        for _ in range(2):
            self.run(command, "plain", tmp_path)
        assert (tmp_path / "log-001.csv").read_text(encoding="utf-8") == "mine"
        found = sorted(path.name for path in tmp_path.iterdir())
        assert found == [f"log-00{n}.csv" for n in (1, 2, 3)]

    def test_no_file_no_harm(self, command, tmp_path):
        """A folder that cannot be made costs the log, never the robot's program."""
        (tmp_path / "taken").write_text("a file", encoding="utf-8")
        done = finish(*command("plain", tmp_path / "taken" / "logs"))
        assert done.returncode == 0
        assert done.stderr.startswith("looptime recorder: no log from here on")
        assert done.stderr.count("\n") == 1

    def test_overflow_leaves_out_whole_loops(self, command, tmp_path):
        """Rows kept and rows dropped add up, and each loop is there whole or not at all."""
        made = int(self.run(command, "overflow", tmp_path))
        check_overflow(read(tmp_path / "log-001.csv"), made, rows_a_loop=9, too_long=7)

    def test_overflow_of_another_thread_leaves_out_whole_calls(self, command, tmp_path):
        """In a thread without loops, outermost calls are kept or left out with all in them."""
        made = int(self.run(command, self.worker_overflow, tmp_path))
        names = ['encoder, "left"'] * 3 + ["drive.update"]
        _check_worker_overflow(read(tmp_path / "log-001.csv"), made, names)

    def test_eight_threads(self, command, tmp_path):
        """Eight threads at once: every row is there, each thread's in order, nesting right."""
        self.run(command, "threads", tmp_path)
        log = read(tmp_path / "log-001.csv")
        workers = ["worker", *(f"worker#{n}" for n in range(2, 8))]
        _check_threads(log, {"loop": 5000, **dict.fromkeys(workers, 4000)})
        check_nesting(log, "drive.update", 'encoder, "left"', 3)
        assert len(log.named("loop")) == 1000

    def test_killed_in_mid_run(self, command, tmp_path):
        """Killed without warning, the log holds all that the writer had written, in whole rows."""
        words = command("forever", tmp_path)
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
            check_killed(process, tmp_path / "log-001.csv")


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


def _check_worker_overflow(log: Log, made: int, names: list[str]) -> None:
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


def _check_threads(log: Log, rows: dict[str, int]) -> None:
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
