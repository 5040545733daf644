"""The C++ recorder, compiled and run for real; its logs are read back here."""

import itertools
import subprocess
from collections import Counter
from pathlib import Path

import pytest

from tests.conftest import need_tool
from tests.recorders.shared import check_killed
from tests.recorders.support import Log, check_run, finish, nanoseconds, read

HERE = Path(__file__).resolve().parent
HEADERS = HERE.parents[1] / "looptime" / "recorders"
WARNINGS = [
    *("-std=c++14", "-Wall", "-Wextra", "-Werror"),
    *("-Wpedantic", "-Wshadow", "-Wconversion"),
]
BARE = ["-fno-exceptions", "-fno-rtti", "-fno-threadsafe-statics"]


def build(folder: Path, source: str, *options: str, name: str = "") -> Path:
    """Compile one program of the folder cpp/ and return it."""
    program = folder / (name or Path(source).stem)
    command = [need_tool("g++"), *WARNINGS, *options, "-pthread", f"-I{HEADERS}"]
    done = finish(*command, HERE / "cpp" / source, "-o", program)
    assert done.returncode == 0, done.stderr
    return program


def run(program: Path, *words: object) -> list[str]:
    """Run a program to its end and return the lines that it prints."""
    done = finish(program, *words)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    return done.stdout.splitlines()


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program with the ordinary runs."""
    return build(tmp_path_factory.mktemp("cpp"), "runs.cpp", "-O2")


@pytest.fixture(scope="module")
def marks(runs: Path, tmp_path_factory: pytest.TempPathFactory) -> Log:
    """The log of twenty loops of known lengths."""
    return read(run(runs, "marks", tmp_path_factory.mktemp("log") / "made" / "on the way")[0])


def test_head_of_the_log(marks: Log) -> None:
    """The first lines say who wrote the log, with which clock and at what cost a row."""
    assert marks.remarks[0] == ["looptime-recorder", "cpp 1"]
    assert marks.meta["clock"] == "monotonic"
    assert 5 < int(marks.meta["row_cost_ns"]) < 100_000
    assert marks.meta["robot"] == "tray-carrier with a line break"
    assert marks.remarks[-1] == ["dropped", "0"]


def test_loops_follow_each_other(marks: Log) -> None:
    """Each loop's row ends where the next begins, and each is as long as what it did."""
    loops = [row for row in marks.named("loop") if row["thread"] == "main"]
    assert [int(row["loop"]) for row in loops] == list(range(19))
    spans = [nanoseconds(row) for row in loops]
    assert all(a[1] == b[0] for a, b in itertools.pairwise(spans))
    assert all(end - start >= 2_000_000 for start, end in spans)


def test_nested_calls(marks: Log) -> None:
    """A nested call ends first, lies within the enclosing one, and lasts as long as planted."""
    main = marks.threads()["main"]
    outer = [row for row in main if row["name"] == 'drive, "all"']
    inner = [row for row in main if row["name"] == "gyro.read"]
    assert len(outer) == len(inner) == 20
    for a, b in zip(outer, inner, strict=True):
        assert int(b["seq"]) == int(a["seq"]) - 1
        assert a["loop"] == b["loop"]
        (start, end), (first, last) = nanoseconds(a), nanoseconds(b)
        assert start + 300_000 <= first <= last <= end
        assert last - first >= 1_000_000


def test_sequence_counts_each_threads_rows(marks: Log) -> None:
    """Without losses each thread's rows are numbered 0, 1, 2, ... in their order."""
    threads = marks.threads()
    assert set(threads) == {"main", "reader"}
    for rows in threads.values():
        assert [int(row["seq"]) for row in rows] == list(range(len(rows)))


def test_phase_holds_from_the_next_loop(marks: Log) -> None:
    """A phase named in loop 9 is that of loop 10 and all that belongs to it."""
    main = marks.threads()["main"]
    phases = {(int(row["loop"]) >= 10, row["phase"]) for row in main}
    assert phases == {(False, "standby"), (True, "operator")}


def test_signals_and_handed_over_readings(marks: Log) -> None:
    """Signals carry their value; readings are published by one thread and used by the other."""
    signals = marks.named("heading_deg")
    assert [float(row["value"]) for row in signals] == [0.5 * n - 2 for n in range(20)]
    assert {row["mark"] for row in signals} == {"signal"}
    hand_over = [row for row in marks.named("pose.read") if row["mark"]]
    assert {(row["thread"], row["mark"]) for row in hand_over} == {
        ("reader", "published"),
        ("main", "used"),
    }
    assert sum(row["mark"] == "used" for row in hand_over) == 20
    assert all(row["duration_us"] == "0.000" for row in signals + hand_over)
    reads = [row for row in marks.named("pose.read") if not row["mark"]]
    published = [row for row in hand_over if row["mark"] == "published"]
    for taken, shown in zip(reads, published, strict=True):
        assert nanoseconds(taken)[1] <= nanoseconds(shown)[0]


def test_eight_threads(runs: Path, tmp_path: Path) -> None:
    """Eight threads and the loop at full speed: with room for all rows, all are there."""
    log = read(run(runs, "threads", tmp_path, 3000, 16384)[0])
    threads = log.threads()
    assert set(threads) == {"main", *(f"worker{n}" for n in range(8))}
    for name, rows in threads.items():
        assert [int(row["seq"]) for row in rows] == list(range(len(rows)))
        if name != "main":
            assert [row["name"] for row in rows] == ["inner", "inner", "outer"] * 3000
            for one, two, around in zip(rows[::3], rows[1::3], rows[2::3], strict=True):
                start, end = nanoseconds(around)
                instants = [start, *nanoseconds(one), *nanoseconds(two), end]
                assert instants == sorted(instants)
    assert log.meta["dropped"] == "0"
    assert Counter(row["name"] for row in threads["main"]) == {"inner": 3000, "loop": 2999}


def test_overflow_of_eight_threads_loses_whole_calls(runs: Path, tmp_path: Path) -> None:
    """Rings far too small: outermost calls are there with what they enclose, or not at all."""
    log = read(run(runs, "threads", tmp_path, 20_000, 64, 100)[0])
    dropped = int(log.meta["dropped"])
    assert dropped >= 8 * 101, "the last call of each worker cannot fit"
    assert len(log.rows) + dropped == 8 * (60_000 - 3 + 101) + 40_000 - 1
    for name, rows in log.threads().items():
        assert all(int(a["seq"]) < int(b["seq"]) for a, b in itertools.pairwise(rows))
        if name != "main":
            assert [row["name"] for row in rows] == ["inner", "inner", "outer"] * (len(rows) // 3)


def test_overflow_loses_whole_loops(runs: Path, tmp_path: Path) -> None:
    """A loop is in the log with all its rows or with none, and what is lost is counted."""
    log = read(run(runs, "overflow", tmp_path)[0])
    rows_in = Counter(int(row["loop"]) for row in log.rows)
    planted = {n: 100 if n == 1500 else 40 if n % 100 == 7 else 4 for n in range(3000)}
    assert all(count == planted[loop] for loop, count in rows_in.items())
    assert 1500 not in rows_in, "a loop that is longer than the ring cannot be kept"
    assert {0, 500, 1000, 2000, 2500} <= set(rows_in), "after each flush there is room again"
    assert int(log.meta["dropped"]) == sum(planted.values()) - len(log.rows)
    gaps = [int(b["seq"]) - int(a["seq"]) - 1 for a, b in zip(log.rows, log.rows[1:], strict=False)]
    assert all(gap >= 0 for gap in gaps)
    assert {0} < set(gaps)


def test_killed_in_mid_run(runs: Path, tmp_path: Path) -> None:
    """After kill -9 the file holds all that the writer had written, in whole rows."""
    words = [str(runs), "endless", str(tmp_path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, bufsize=1) as program:
        assert program.stdout is not None
        path = Path(program.stdout.readline().strip())
        while int(program.stdout.readline()) < 200:
            pass
        assert len(read(path).named("loop")) >= 200, "after loop 200 all was flushed"
        check_killed(program, path)


@pytest.mark.parametrize("mode", ["marks", "overflow"])
def test_looptime_reads_it(mode: str, runs: Path, tmp_path: Path) -> None:
    """The analyzer finds the loops and calls that are in the log, also around lost ones."""
    check_run(run(runs, mode, tmp_path)[0])


@pytest.mark.parametrize("rate", [1_000_000, 72_000_000])
def test_looptime_reads_a_bare_boards_log(rate: int, bare: Path, tmp_path: Path) -> None:
    """The same for what came out of a board's sink, in microseconds and finer."""
    path = tmp_path / "board.csv"
    lines = run(bare, 32, rate, 2**32 - 100_000, "plain")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    check_run(path)


def test_new_run_never_overwrites(runs: Path, tmp_path: Path) -> None:
    """Old files stay as they are, also where the numbers have a gap."""
    old = tmp_path / "marks-001.csv"
    old.write_text("precious", encoding="utf-8")
    (tmp_path / "marks-003.csv").write_text("too", encoding="utf-8")
    assert [Path(run(runs, "marks", tmp_path)[0]).name for _ in range(2)] == [
        "marks-002.csv",
        "marks-004.csv",
    ]
    assert old.read_text(encoding="utf-8") == "precious"


def test_two_recorders_in_one_thread(runs: Path, tmp_path: Path) -> None:
    """Marks go to the recorder that they are made on."""
    first, second = (read(path) for path in run(runs, "two", tmp_path))
    assert Counter(row["name"] for row in first.rows) == {"a": 10, "loop": 9}
    assert Counter(row["name"] for row in second.rows) == {"b": 10, "loop": 9}


def test_short_threads(runs: Path, tmp_path: Path) -> None:
    """Threads that come and go each have a name of their own and count from 0."""
    log = read(run(runs, "short", tmp_path)[0])
    assert len(log.threads()) == len(log.rows) == 40
    assert {row["seq"] for row in log.rows} == {"0"}


def test_no_folder_no_harm(runs: Path, tmp_path: Path) -> None:
    """Where no file can be made the robot's program runs on; one line says so."""
    blocked = tmp_path / "a file"
    blocked.write_text("", encoding="utf-8")
    done = finish(runs, "marks", blocked / "logs")
    assert done.returncode == 0
    assert done.stderr.count("\n") == 1
    assert "no log from here on" in done.stderr


def test_full_card(runs: Path, tmp_path: Path) -> None:
    """Where the file cannot grow any more the program runs on and says so once."""
    limited = 'trap "" XFSZ; ulimit -f 64; exec "$0" threads "$1" 3000 16384'
    done = finish(need_tool("bash"), "-c", limited, runs, tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr.count("\n") == 1
    assert "no log from here on" in done.stderr
    lines = (tmp_path / "threads-001.csv").read_text(encoding="utf-8").splitlines()
    assert all(line.count(",") == 8 for line in lines[5:-1])


@pytest.mark.parametrize("option", ["-std=c++17", "-std=c++20", "-fno-exceptions"])
def test_other_ways_to_build(option: str, tmp_path: Path) -> None:
    """Newer standards and programs without exceptions take the header as well."""
    build(tmp_path, "runs.cpp", option, "-fsyntax-only")


def test_no_memory_from_the_heap(tmp_path: Path) -> None:
    """Neither the loop nor a thread nor the writer takes memory once all have started."""
    program = build(tmp_path, "no_heap.cpp", "-O2")
    assert run(program, tmp_path)[0].endswith(" 0 while recording")


@pytest.mark.parametrize("sanitizers", ["address,undefined", "thread"])
def test_sanitizers(sanitizers: str, tmp_path: Path) -> None:
    """No fault of memory, no undefined behaviour, no race."""
    program = build(
        *(tmp_path, "runs.cpp", "-O1", "-g", f"-fsanitize={sanitizers}"),
        "-fno-sanitize-recover=all",
        name=sanitizers.split(",", maxsplit=1)[0],
    )
    run(program, "marks", tmp_path)
    run(program, "threads", tmp_path, 3000, 16384)
    run(program, "threads", tmp_path, 3000, 64)
    run(program, "overflow", tmp_path)
    run(program, "short", tmp_path)
    run(program, "two", tmp_path)


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program for a pretended board without an operating system."""
    return build(tmp_path_factory.mktemp("bare"), "bare.cpp", "-O2", *BARE)


@pytest.fixture(scope="module")
def bare_sanitized(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, watched by sanitizers."""
    sanitizers = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
    return build(tmp_path_factory.mktemp("bare"), "bare.cpp", "-O1", "-g", *sanitizers)


@pytest.mark.parametrize(
    ("bits", "rate", "start"),
    [
        (16, 1_000_000, 65_000),
        (24, 1_000_000, 2**24 - 3000),
        (30, 1_000_000, 2**30 - 1),
        (32, 1_000_000, 2**32 - 100_000),
        (32, 72_000_000, 2**32 - 100_000),
        (32, 168_000_000, 1),
    ],
)
def test_bare_board_counter_wraps(bare: Path, bits: int, rate: int, start: int) -> None:
    """Times go on over the counter's wraps; each is the planted one, cut to the digits written."""
    log = Log("\n".join(run(bare, bits, rate, start, "plain")) + "\n")
    unit = 10**9 if rate > 10**6 else 10**6

    def expected(ticks: int) -> int:
        return ticks * unit // rate

    def written(row: dict[str, str]) -> tuple[int, int]:
        first, length = (int(row[key].replace(".", "")) for key in ("start_us", "duration_us"))
        return first, first + length

    for name, offset, length in (("loop", 0, 5501), ("drive", 0, 4500), ("gyro.read", 1000, 3000)):
        rows = log.named(name)
        assert len(rows) == 40
        for n, row in enumerate(rows):
            begin = 5501 * n + offset
            assert int(row["loop"]) == n
            assert written(row) == (expected(begin), expected(begin + length))
    assert [float(row["value"]) for row in log.named("heading_deg")] == [n / 4 for n in range(40)]
    assert [int(row["seq"]) for row in log.rows] == list(range(160))
    assert log.meta["dropped"] == "0"
    assert log.meta["robot"] == "tray-carrier"


def test_bare_board_counter_that_steps_back(bare: Path) -> None:
    """A counter that is 300 us behind for a moment makes neither a jump nor a negative time."""
    log = Log("\n".join(run(bare, 32, 1_000_000, 2**32 - 9000, "jitter")) + "\n")
    assert [int(row["start_us"]) for row in log.named("loop")] == [5501 * n for n in range(40)]
    back = [row for row in log.named("heading_deg") if row["value"] == "-1"]
    assert [int(row["start_us"]) for row in back] == [5501 * n + 4000 for n in (5, 15, 25, 35)]


def test_bare_board_that_never_flushes(bare: Path) -> None:
    """Without a flush the first loops that fit are kept whole and the others are counted."""
    log = Log("\n".join(run(bare, 32, 1_000_000, 5, "crowded")) + "\n")
    assert len(log.rows) == 64
    assert Counter(int(row["loop"]) for row in log.rows) == dict.fromkeys(range(16), 4)
    assert log.meta["dropped"] == str(40 * 4 - 64)


@pytest.mark.parametrize(("bits", "rate"), [(32, 1_000_000), (0, 0), (-5, 1), (99, 2**32 - 1)])
def test_bare_board_misused(bits: int, rate: int, bare_sanitized: Path) -> None:
    """Numbers, names and clocks that make no sense: counted, and no fault of memory."""
    log = Log("\n".join(run(bare_sanitized, bits, rate, 5, "wrong")) + "\n")
    rows = Counter(row["name"] for row in log.rows)
    made_up = sum(count for name, count in rows.items() if name.startswith("made up "))
    assert made_up == sum(n % 2 == 0 for n in range(64 - 3 - 2))
    assert rows["too-many-names"] == 40 - made_up
    assert (rows["loop"], rows["unnamed"], rows["line break"]) == (80, 1, 1)
    assert log.meta["ignored"] == "29"
    assert log.meta["dropped"] == "0"


def test_bare_board_needs_no_heap_and_no_threads(tmp_path: Path) -> None:
    """What the linker must add for a bare board is a handful of string functions."""
    nm = need_tool("nm")
    obj = build(tmp_path, "bare.cpp", "-O2", "-c", *BARE, name="bare.o")
    table = finish(nm, "-u", obj).stdout
    needed = {line.split()[-1].split("@")[0] for line in table.splitlines()}
    needed = {name.removeprefix("__isoc23_") for name in needed}  # as newer C libraries call them
    of_the_test_program = {
        "snprintf",
        "fwrite",
        "stdout",
        "atoi",
        "atoll",
        "strtol",
        "strtoll",
        "strtoull",
    }
    of_the_linker = {"_GLOBAL_OFFSET_TABLE_", "__stack_chk_fail"}
    assert needed - of_the_test_program - of_the_linker <= {"memcpy", "memset", "strcmp", "strpbrk"}
