"""Time of compare, gate and season list in a fresh process, over the start of looptime itself.

Run ``python tests/benchmarks/checks.py``. Each row is the median of several processes; the runs
are ready in memory, as a prepared copy of a log gives them, and every import that a command
needs first is part of its time.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
LOOPS, CALLS, BASELINE, ENTRIES = 10_000, 20, 12, 1_000
GOAL_S = 0.5


def run(seed: int, loops: int = LOOPS, calls: int = CALLS, factor: float = 1.0):
    """A run of flat calls."""
    from looptime.run import CallColumns, LoopColumns, Run
    from looptime.schema import CallName

    rng = np.random.default_rng(seed)
    duration = (rng.lognormal(np.log(4e5), 0.1, (loops, calls)) * factor).astype(np.int64)
    period = duration.sum(axis=1) + rng.integers(1_000, 5_000, loops) + 2_000_000
    start = np.cumsum(period) - period
    begin = start[:, None] + np.cumsum(duration, axis=1) - duration
    m = loops * calls
    table = CallColumns(
        loop=np.repeat(np.arange(loops, dtype=np.int32), calls),
        thread=np.zeros(m, np.int16),
        name=np.tile(np.arange(calls, dtype=np.int32), loops),
        start_ns=begin.ravel(),
        duration_ns=duration.ravel(),
        self_ns=duration.ravel(),
        depth=np.zeros(m, np.int16),
    )
    names = tuple(CallName(f"device{k}.read", kind="sensor read") for k in range(calls))
    return Run(
        LoopColumns(np.arange(loops), start, period), table, names, ("main",), 0,
        source=f"run-{seed}.csv", rows_read=m, rows_used=m, meta={"robot": "tray-carrier"},
    )  # fmt: skip


def _compare(_: Path) -> float:
    a, b = run(1), run(2)
    begin = time.perf_counter()
    from looptime.checks.compare import compare

    compare([a], [b])
    return time.perf_counter() - begin


def _gate(folder: Path) -> float:
    new = run(999)
    begin = time.perf_counter()
    from looptime.checks.gate import choose_baseline, gate
    from looptime.checks.season import Season

    season = Season(folder / "season-12")
    found = gate([new], choose_baseline(season, [new]), limits={"period_p99_ms": 20.0})
    assert "regression" in found.checked
    return time.perf_counter() - begin


def _list(folder: Path) -> float:
    begin = time.perf_counter()
    from looptime.checks.season import Season
    from looptime.views.checks_text import render_season
    from looptime.views.terminal import show

    entries = Season(folder / "season-1000").entries()
    with (folder / "list.txt").open("w", encoding="utf-8") as file:
        show(render_season(entries), file)
    assert len(entries) == ENTRIES
    return time.perf_counter() - begin


WHAT = {"compare": _compare, "gate": _gate, "list": _list}


def prepare(folder: Path) -> None:
    """A season of 12 baseline runs, and one of 1,000 short runs."""
    from looptime.checks.adding import add_runs
    from looptime.checks.season import Season

    small = Season(folder / "season-12", create=True)
    for seed in range(BASELINE):
        add_runs(small, [run(100 + seed, factor=1 + 0.002 * (seed % 5))])
    small.mark_baseline([e.name for e in small.entries()])
    large = Season(folder / "season-1000", create=True)
    for seed in range(ENTRIES):
        add_runs(large, [run(10_000 + seed, loops=600, calls=3)])
    large.entries()


def main() -> None:
    """Print the table."""
    rows = []
    with tempfile.TemporaryDirectory() as name:
        prepare(Path(name))
        for what in WHAT:
            command = [sys.executable, __file__, what, name]
            times = [
                float(subprocess.run(command, check=True, capture_output=True, cwd=ROOT).stdout)
                for _ in range(7)
            ]
            rows.append((what, statistics.median(times), min(times), max(times)))
    print(f"{'what':<10}{'median s':>10}{'least':>8}{'most':>8}{'goal':>8}")
    for what, middle, least, most in rows:
        print(f"{what:<10}{middle:>10.3f}{least:>8.3f}{most:>8.3f}{GOAL_S:>8.1f}")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    if len(sys.argv) == 3:
        import looptime  # the start that every command has

        assert looptime.__version__
        print(WHAT[sys.argv[1]](Path(sys.argv[2])))
    else:
        main()
