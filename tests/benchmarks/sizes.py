"""Cost of every command against the length of the log, as exponents.

Run it as ``python -m tests.benchmarks.sizes [--loops N ...] [--times N]``. Each command runs as a
process of its own on `calls` logs of a paced and noisy loop, four calls a loop. What counts is
the processor time of user and system; that of the shortest log is start-up and taken off the
others. The exponent e says that ten times the loops cost 10^e times as much: 1 is in proportion.
"""

import argparse
import math
import os
import shlex
import statistics
import subprocess
import sys
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np

CONTROLLER = shlex.split(
    "--read-call gyro.read --write-call mast.write --form 'measured step' --kp 4 --ki 1 "
    "--plant position --full-speed 2 --time-constant-ms 40 --target step:1"
)
COMMANDS = {
    "summary": ["summary", "LOG"],
    "summary, predicted": ["summary", "LOG", "--predict", "--json"],
    "slow": ["slow", "LOG"],
    "columns": ["columns", "LOG"],
    "explain": ["explain", "stall", "LOG"],
    "heading": ["heading", "LOG", "--motion", "steady:180"],
    "control": ["control", "LOG", *CONTROLLER],
    "plan, one change": ["plan", "LOG", "--change", "scale gyro.read by=0.5"],
    "plan, a thread": ["plan", "LOG", "--change", "thread gyro.read rest-ms=5"],
    "plan, suggestions": ["plan", "LOG"],
    "plan, came true": ["plan", "LOG", "--change", "scale gyro.read by=0.5", "--actual", "OTHER"],
    "compare": ["compare", "LOG", "--against", "OTHER"],
    "gate": ["gate", "LOG", "--project", "OUT.toml"],
    "pit": ["pit", "LOG", "--project", "OUT.toml"],
    "season add": ["season", "add", "LOG", "--replace", "--season", "OUT_season"],
    "watch": ["watch", "-"],
    "report": ["report", "LOG", "--out", "OUT.html"],
    "export": ["export", "LOG", "--out", "OUT.csv"],
}


def write_log(path: Path, loops: int, seed: int) -> None:
    """A loop of three calls with noise, slow loops and rarer stalls on a timetable [us]."""
    rng = np.random.default_rng(seed)
    took = rng.lognormal(np.log([900, 2100, 1300]), 0.1, (loops, 3)).astype(np.int64)
    took[::9, 1] += 9_000
    took[::97, 1] += 40_000
    end = np.cumsum(took + 40, axis=1)
    period = end[:, -1] + rng.integers(300, 900, loops)
    start = np.cumsum(period) - period
    number = np.arange(loops)
    names = ("gyro.read", "drive.update", "mast.write")
    with path.open("w") as file:
        file.write("loop,name,start_us,duration_us\n")
        for low in range(0, loops, 100_000):
            rows = []
            for k in range(low, min(low + 100_000, loops)):
                at = start[k]
                rows += [
                    f"{number[k]},{name},{at + end[k, c] - took[k, c]},{took[k, c]}\n"
                    for c, name in enumerate(names)
                ]
                rows.append(f"{number[k]},loop,{at},{period[k]}\n")
            file.writelines(rows)


def seconds(command: list[str], log: Path) -> float:
    """Processor time of one process; a verdict as its exit code is no failure."""
    env = {**os.environ, "LOOPTIME_CACHE": ""}
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    with tempfile.TemporaryFile() as errors, log.open("rb") as piped:
        process = subprocess.Popen(
            command, stdin=piped, stdout=subprocess.DEVNULL, stderr=errors, env=env
        )
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, 1, 3):
            errors.seek(0)
            sys.exit(f"{command} failed: {errors.read().decode(errors='replace')}")
    return usage.ru_utime + usage.ru_stime


def exponents(taken: dict[int, float]) -> list[str]:
    """Growth from each size to the next, start-up taken off, from where it outweighs noise."""
    sizes = sorted(taken)
    base = taken[sizes[0]]
    made = []
    for one, other in pairwise(sizes[1:]):
        low, high = taken[one] - base, taken[other] - base
        told = low > 0.1 * base
        made.append(f"{math.log(high / low) / math.log(other / one):.2f}" if told else "-")
    return made


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--loops", type=int, nargs="*", default=[1000, 10_000, 100_000, 1_000_000])
    asked.add_argument("--times", type=int, default=3)
    asked.add_argument("--only", nargs="*", default=list(COMMANDS), choices=list(COMMANDS))
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="looptime_sizes_") as name:
        folder = Path(name)
        (folder / "OUT.toml").write_text("[limits]\nperiod_p99_ms = 10\n")
        for loops in given.loops:
            write_log(folder / f"log_{loops}.csv", loops, 1)
            write_log(folder / f"other_{loops}.csv", loops, 2)
        print(
            f"{'command':<20}" + "".join(f"{loops:>11,}" for loops in given.loops) + "  exponents"
        )
        for label in given.only:
            taken = {}
            for loops in given.loops:
                place = {"LOG": f"log_{loops}.csv", "OTHER": f"other_{loops}.csv"}
                words = [str(folder / place[w]) if w in place else w for w in COMMANDS[label]]
                words = [str(folder / w) if w.startswith("OUT") else w for w in words]
                command = [sys.executable, "-m", "looptime", *words]
                log = folder / place["LOG"]
                more = given.times + (loops == given.loops[0])
                runs = [seconds(command, log) for _ in range(more)]
                taken[loops] = statistics.median(runs[-given.times :])
            row = "".join(f"{taken[loops]:>10.2f}s" for loops in given.loops)
            print(f"{label:<20}{row}  {' '.join(exponents(taken))}", flush=True)


if __name__ == "__main__":
    main()
