"""Time of each analyser: on a run of 10,000 loops, and on one of ten million calls.

Run ``python -m tests.benchmarks.analysers [--calls 10500000]``. The time that pyarrow needs to read
a CSV of as many rows stands beside it for comparison.
"""

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from looptime.analysers.basis import Basis, prepare
from looptime.analysers.blocking import blocking
from looptime.analysers.buses import buses
from looptime.analysers.call_costs import costs
from looptime.analysers.drift import changes
from looptime.analysers.durations import call_times
from looptime.analysers.freshness import freshness
from looptime.analysers.pace import pace
from looptime.analysers.recurs import recurs
from looptime.analysers.slow import slow_events
from looptime.analysers.warmup import warmup
from looptime.findings import summarise
from looptime.run import Run
from tests.build_run import make_flat_run

CALLS = 15
_KINDS = ("sensor read", "compute", "actuator write")


def a_run(loops: int, seed: int = 1) -> Run:
    """Loops of 15 calls with autocorrelation, telemetry every 50 loops and rare stalls."""
    rng = np.random.default_rng(seed)
    slow = np.repeat(rng.normal(0, 0.05, loops // 5 + 1), 5)[:loops]
    made = {}
    for k in range(CALLS):
        at = 0.65e6 * np.exp(slow + rng.normal(0, 0.05, loops))
        made[f"part{k}.call"] = at.astype(np.int64)
    made["part0.call"][rng.random(loops) < 0.002] += 8_000_000
    made["part1.call"][::50] += 4_000_000
    period = sum(made.values()) + 200_000
    names = {
        name: {"kind": _KINDS[k % 3], "bus": "port" if k % 2 else "aux"}
        for k, name in enumerate(made)
    }
    return make_flat_run(period, made, names)


def timed(what: Callable[[], Any], repeats: int) -> tuple[float, Any]:
    """Median processor time [s], which a busy machine does not stretch much, and the result."""
    took, result = [], None
    for _ in range(repeats):
        begin = time.process_time()
        result = what()
        took.append(time.process_time() - begin)
    return float(np.median(took)), result


def each(run: Run, repeats: int) -> list[tuple[str, float]]:
    """Time of each analyser on a run."""
    rows = []

    def step(name: str, what: Callable[[], Any]) -> Any:
        took, result = timed(what, repeats)
        rows.append((name, took))
        return result

    basis: Basis = step("waits, pacing, judged quantity", lambda: prepare(run))
    step("warm-up", lambda: warmup(basis))
    slow = step("slow loops", lambda: slow_events(basis))
    times = step("durations by call", lambda: call_times(run))
    cost = step("costs", lambda: costs(basis, slow.is_slow, times=times))
    step("pace", lambda: pace(basis, budget_ms=15))
    step("recurrence", lambda: recurs(basis, cost, slow))
    step("drift and change points", lambda: changes(basis))
    step("blocking", lambda: blocking(run, times))
    step("buses", lambda: buses(basis, times))
    step("freshness", lambda: freshness(run))
    step("everything with findings", lambda: summarise(run, budget_ms=15))
    return rows


def read_csv_seconds(rows: int) -> float:
    """Time that pyarrow needs to read a calls log of so many rows; written from a tenth of it."""
    from pyarrow import csv

    head = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"
    block = "".join(
        f"{k // 15},main,{k},part{k % 15}.call,{k * 650.125:.3f},{650 + k % 7}.125,operator,,\n"
        for k in range(150_000)
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.csv"
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.write(head)
            for _ in range(rows // 150_000):
                file.write(block)
        begin = time.process_time()
        table = csv.read_csv(path)
        took = time.process_time() - begin
        assert table.num_rows == rows // 150_000 * 150_000
    return took


def peak_gb() -> float:
    """Largest memory of this process so far [GB]; 0 where the system does not tell."""
    try:
        import resource
    except ImportError:
        return 0.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6


def show(title: str, rows: list[tuple[str, float]], unit: float, word: str) -> None:
    """Print one table."""
    print(f"\n{title}")
    for name, took in rows:
        print(f"  {name:34}{took * unit:10.2f} {word}")


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--calls", type=int, default=10_500_000)
    given = options.parse_args()
    show("10,000 loops, 150,000 calls", each(a_run(10_000), 5), 1e3, "ms")
    if given.calls:
        run = a_run(given.calls // CALLS)
        before = peak_gb()
        show(f"{len(run):,} loops, {len(run.call_columns):,} calls", each(run, 1), 1, "s")
        print(f"  peak memory {peak_gb():.2f} GB, {before:.2f} GB of it for the run and its making")
        print(f"  pyarrow reads {given.calls:,} rows in {read_csv_seconds(given.calls):.2f} s")
