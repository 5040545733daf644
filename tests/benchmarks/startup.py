"""How long ``looptime --help`` takes to answer, against a Python that does nothing.

Run it as ``python -m tests.benchmarks.startup``; it prints medians of five [ms]. The aim is at
most 250 ms more than ``python -c pass``. Both are started in turn, so that whatever else the
machine does meets both alike; one start of each beforehand fills the file cache.
"""

import statistics
import subprocess
import sys
import time

TIMES = 5
COMMANDS = {
    "python -c pass": [sys.executable, "-c", "pass"],
    "import looptime": [sys.executable, "-c", "import looptime"],
    "looptime --help": [sys.executable, "-m", "looptime", "--help"],
    "looptime --version": [sys.executable, "-m", "looptime", "--version"],
}


def start_ms(command: list[str]) -> float:
    """Wall time of one start [ms]; a command that fails ends the benchmark."""
    begun = time.perf_counter()
    done = subprocess.run(command, capture_output=True, check=False)
    taken = (time.perf_counter() - begun) * 1000
    if done.returncode:
        sys.exit(f"{' '.join(command)} failed: {done.stderr.decode(errors='replace')}")
    return taken


def main() -> None:
    """Print the table."""
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for turn in range(TIMES + 1):
        for name, command in COMMANDS.items():
            ms = start_ms(command)
            if turn:
                taken[name].append(ms)
    least = statistics.median(taken["python -c pass"])
    print(f"{'command':20} {'median_ms':>10} {'min_ms':>8} {'max_ms':>8} {'over_python_ms':>15}")
    for name, values in taken.items():
        middle = statistics.median(values)
        print(
            f"{name:20} {middle:10.1f} {min(values):8.1f} {max(values):8.1f} {middle - least:15.1f}"
        )


if __name__ == "__main__":
    main()
