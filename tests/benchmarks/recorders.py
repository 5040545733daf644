"""What a timed call costs: ``python -m tests.benchmarks.recorders [LANGUAGE ...]``.

A timed call is two readings of the clock and a row. It is held against a loop that only reads the
clock twice, in the same process, in turn, batch by batch; the table has the medians over the
batches. A log that lost a row would make the comparison void, so that is checked, and so is that
nothing is taken from the heap: by the JVM's own count for the thread, and by counting malloc.

Exits 1 if a target is missed.
"""

import re
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

RECORDERS = Path(__file__).resolve().parents[2] / "looptime" / "recorders"
ROUNDS, CALLS = 150, 1000

JAVA = """
import java.io.File;
import java.lang.management.ManagementFactory;

public class Cost {
    static long sink;

    static long clock(int calls) {
        long begin = System.nanoTime();
        for (int i = 0; i < calls; i++) {
            long start = System.nanoTime();
            long end = System.nanoTime();
            sink += end - start;
        }
        return System.nanoTime() - begin;
    }

    static long timed(LooptimeRecorder rec, int call, int calls) {
        long begin = System.nanoTime();
        for (int i = 0; i < calls; i++) {
            try (LooptimeRecorder.Lane timed = rec.time(call)) {
                sink++;
            }
        }
        return System.nanoTime() - begin;
    }

    public static void main(String[] words) throws Exception {
        int rounds = Integer.parseInt(words[1]), calls = Integer.parseInt(words[2]);
        com.sun.management.ThreadMXBean threads =
            (com.sun.management.ThreadMXBean) ManagementFactory.getThreadMXBean();
        LooptimeRecorder rec = LooptimeRecorder.start(new File(words[0]), "cost");
        int call = rec.call("gyro.read");
        long[] clock = new long[3 * rounds], timed = new long[3 * rounds];
        long me = Thread.currentThread().getId(), taken = 0;
        for (int r = 0; r < 3 * rounds; r++) { // the first two thirds warm up
            rec.loop();
            clock[r] = clock(calls);
            long before = threads.getThreadAllocatedBytes(me);
            timed[r] = timed(rec, call, calls);
            rec.loop();
            if (r >= 2 * rounds) {
                taken += threads.getThreadAllocatedBytes(me) - before;
            }
            rec.flush();
        }
        rec.close();
        for (int r = 2 * rounds; r < 3 * rounds; r++) {
            System.out.println(clock[r] + " " + timed[r]);
        }
        System.out.println("allocated " + taken);
    }
}
"""

CPP = """
#include "looptime_recorder.hpp"
#include <cstdlib>

static std::atomic<long> taken{0};
extern "C" void* __libc_malloc(std::size_t size);
extern "C" void* malloc(std::size_t size) {
    taken.fetch_add(static_cast<long>(size));
    return __libc_malloc(size);
}

static std::int64_t now() {
    using namespace std::chrono;
    return duration_cast<nanoseconds>(steady_clock::now().time_since_epoch()).count();
}
static std::int64_t sink;

int main(int, char** words) {
    const int rounds = std::atoi(words[2]), calls = std::atoi(words[3]);
    looptime::Recorder rec(words[1], "cost");
    const int call = rec.call("gyro.read");
    std::vector<std::int64_t> clock, timed;
    clock.reserve(static_cast<std::size_t>(rounds));
    timed.reserve(static_cast<std::size_t>(rounds));
    const long before = taken;
    for (int r = 0; r < rounds; ++r) {
        rec.loop();
        std::int64_t begin = now();
        for (int i = 0; i < calls; ++i) {
            const std::int64_t start = now();
            const std::int64_t end = now();
            sink += end - start;
        }
        clock.push_back(now() - begin);
        begin = now();
        for (int i = 0; i < calls; ++i) {
            auto one = rec.time(call);
            ++sink;
        }
        timed.push_back(now() - begin);
        rec.loop();
        rec.flush();
    }
    const long after = taken;
    rec.close();
    for (std::size_t r = 0; r < clock.size(); ++r) {
        std::printf("%lld %lld\\n", static_cast<long long>(clock[r]),
                    static_cast<long long>(timed[r]));
    }
    std::printf("allocated %ld\\n", after - before);
}
"""

PYTHON = """
import sys
import time
sys.path.insert(0, sys.argv[4])
import looptime_recorder

def main(folder, rounds, calls):
    clock = time.perf_counter_ns
    rec = looptime_recorder.start(folder, "cost")
    call = rec.call("gyro.read")
    for _ in range(rounds):
        rec.loop()
        begin = clock()
        for _ in range(calls):
            start = clock()
            end = clock()
        middle = clock()
        for _ in range(calls):
            with call:
                pass
        last = clock()
        print(middle - begin, last - middle)
        rec.loop()
        rec.flush()
    rec.close()

main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
"""

MICRO = """
import sys
import time
sys.path.insert(0, sys.argv[4])
import looptime_recorder_micro

def main(folder, rounds, calls):
    clock = time.ticks_us
    rec = looptime_recorder_micro.start(folder, "cost", rows=calls + 2)
    call = rec.call("gyro.read")
    for _ in range(rounds):
        rec.loop()
        begin = clock()
        for _ in range(calls):
            start = clock()
            end = clock()
        middle = clock()
        for _ in range(calls):
            with call:
                pass
        last = clock()
        print((middle - begin) * 1000, (last - middle) * 1000)
    rec.close()

main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
"""


def start_java(folder: Path) -> list[str]:
    """Compile the Java program; return the words that start it."""
    source = folder / "Cost.java"
    source.write_text(JAVA, encoding="utf-8")
    files = [str(RECORDERS / "LooptimeRecorder.java"), str(source)]
    subprocess.run(["javac", "-d", str(folder), *files], check=True)
    return ["java", "-cp", str(folder), "Cost"]


def start_cpp(folder: Path) -> list[str]:
    """Compile the C++ program; return the words that start it."""
    source, program = folder / "cost.cpp", folder / "cost"
    source.write_text(CPP, encoding="utf-8")
    options = ["-std=c++14", "-O2", "-pthread", f"-I{RECORDERS}"]
    subprocess.run(["g++", *options, str(source), "-o", str(program)], check=True)
    return [str(program)]


def start_python(folder: Path) -> list[str]:
    """Write the Python program; return the words that start it."""
    source = folder / "cost.py"
    source.write_text(PYTHON, encoding="utf-8")
    return [sys.executable, str(source)]


def start_micropython(folder: Path) -> list[str]:
    """Write the program for MicroPython; return the words that start it."""
    beside = shutil.which("micropython", path=str(Path(sys.executable).parent))
    source = folder / "cost.py"
    source.write_text(MICRO, encoding="utf-8")
    return [beside or "micropython", str(source)]


# language: how to start it, the target of timed call over two readings (None: for information)
LANGUAGES = {
    "java": (start_java, 2.0),
    "cpp": (start_cpp, 2.0),
    "python": (start_python, 6.0),
    "micropython": (start_micropython, None),
}


class Cost(NamedTuple):
    """Medians [ns] and bytes taken from the heap, where that is counted."""

    readings: float
    timed: float
    own_figure: int
    taken: int | None


def measure(language: str) -> Cost:
    """Run the program of one language and check that its log has all rows."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        command = LANGUAGES[language][0](folder)
        words = [*command, str(folder), str(ROUNDS), str(CALLS), str(RECORDERS)]
        lines = subprocess.run(words, check=True, capture_output=True, text=True).stdout.split("\n")
        log = next(folder.glob("cost-*.csv")).read_text(encoding="utf-8")
    if log.count(",gyro.read,") < ROUNDS * CALLS or "# dropped: 0" not in log[-20:]:
        raise SystemExit(f"{language}: rows were lost, so the figures say nothing")
    own = int(re.findall(r"^# row_cost_ns: (\d+)", log, re.MULTILINE)[0])
    taken = [int(line.split()[1]) for line in lines if line.startswith("allocated")]
    pairs = [[int(n) for n in line.split()] for line in lines if re.match(r"\d", line)]
    clock, timed = (statistics.median(column) / CALLS for column in zip(*pairs, strict=True))
    return Cost(clock, timed, own, taken[0] if taken else None)


def main(languages: list[str]) -> int:
    """Measure and print the table."""
    print(
        f"medians of {ROUNDS} batches of {CALLS} calls [ns]; own: what the recorder measured itself"
    )
    print("             two readings   timed call    own   ratio   target   allocated")
    missed = False
    for language in languages or LANGUAGES:
        target = LANGUAGES[language][1]
        cost = measure(language)
        ratio = cost.timed / cost.readings
        missed |= (target is not None and ratio > target) or bool(cost.taken)
        limit = "-" if target is None else f"{target:.1f}"
        heap = "not counted" if cost.taken is None else f"{cost.taken} bytes"
        print(
            f"{language:12}{cost.readings:13.1f}{cost.timed:13.1f}{cost.own_figure:7}"
            f"{ratio:8.2f}{limit:>9}{heap:>12}"
        )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
