"""Time of compare, gate and season list in a fresh process, over the start of looptime itself.

Run ``python -m tests.benchmarks.checks`` for times, ``... checks.py rates [N]`` for the verdicts
of whole checks over N simulated replicates. Each row of the times is the median of several
processes; the runs are ready in memory, as a prepared copy of a log gives them, and every import
that a command needs first is part of its time.
"""

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
    from looptime.checks.compare.compare import compare

    compare([a], [b])
    return time.perf_counter() - begin


def _gate(folder: Path) -> float:
    new = run(999)
    begin = time.perf_counter()
    from looptime.checks.gate.gate import choose_baseline, gate
    from looptime.checks.season.season import Season

    season = Season(folder / "season-12")
    found = gate([new], choose_baseline(season, [new]), limits={"period_p99_ms": 20.0})
    assert "regression" in found.checked
    return time.perf_counter() - begin


def _list(folder: Path) -> float:
    begin = time.perf_counter()
    from looptime.checks.season.season import Season
    from looptime.views.text.season_text import render_season
    from looptime.views.text.terminal import show

    entries = Season(folder / "season-1000").entries()
    with (folder / "list.txt").open("w", encoding="utf-8") as file:
        show(render_season(entries).parts(full=True), file)
    assert len(entries) == ENTRIES
    return time.perf_counter() - begin


def _simulated(rng, rr: float, plant, n: int = 6_000):
    """A run of bare loops from the simulator of the calibration."""
    from looptime.run import LoopColumns, Run
    from tests.benchmarks.generator import KINDS, record, run_effects

    made = record(rng, KINDS["T"], n, plant=plant, effects=run_effects(rng, rr))
    period = np.round(made.period_ms * 1e6).astype(np.int64)
    return Run(LoopColumns(np.arange(n), np.cumsum(period) - period, period), rows_read=n)


def _values(run_):
    from looptime.checks.recording.figures import measure
    from looptime.checks.recording.recording import Settings, record

    settings = Settings(budget_ms=14.0, keep_warmup=True)
    return measure(record(run_, settings).series(), histograms=False)


def rates(replicates: int, rr: float = 0.007) -> None:
    """Shares of verdicts over simulated runs: the whole check, families and tolerances included."""
    from looptime.checks.compare.change import Tolerance
    from looptime.checks.compare.compare import compare
    from looptime.checks.gate.gate import gate
    from tests.benchmarks.generator import Plant

    plants = {
        "unchanged": Plant(),
        "+3 %": Plant(shift=0.03),
        "+5 %": Plant(shift=0.05),
        "tail 0.8/s": Plant(tail_per_s=0.8),
    }
    print(f"\n{'share of':<24}" + "".join(f"{name:>12}" for name in plants))
    found: dict[str, list[float]] = {}
    for name, plant in plants.items():
        rng = np.random.default_rng(list(plants).index(name) + 1)
        counts: dict[str, int] = {}
        for _ in range(replicates):
            old = [_values(_simulated(rng, rr, None)) for _ in range(8)]
            new = [_values(_simulated(rng, rr, plant)) for _ in range(3)]
            for label, tolerance in (("", Tolerance()), (", tolerance 0", Tolerance(0.0, 0.0))):
                key = f"gate fails{label}"
                verdict = gate(new[:1], old, tolerance=tolerance).verdict
                counts[key] = counts.get(key, 0) + (verdict == "fail")
            for key, history in (("3 + 3 slower", ()), ("3 + 3 slower, history", old[3:])):
                verdict = compare(old[:3], new, history=history).verdict
                counts[key] = counts.get(key, 0) + (verdict == "slower")
                other = key.replace("slower", "faster")
                counts[other] = counts.get(other, 0) + (verdict == "faster")
            found_one = compare(old[:1], new[:1])
            for key, told in (
                ("1 + 1 slower", found_one.verdict == "slower"),
                ("1 + 1 differ", found_one.recordings == "differ"),
            ):
                counts[key] = counts.get(key, 0) + told
        for key, count in counts.items():
            found.setdefault(key, []).append(count / replicates)
    for key, shares in found.items():
        print(f"{key:<24}" + "".join(f"{100 * s:>10.1f} %" for s in shares))


WHAT = {"compare": _compare, "gate": _gate, "list": _list}


def prepare(folder: Path) -> None:
    """A season of 12 baseline runs, and one of 1,000 short runs."""
    from looptime.checks.season.adding import add_runs
    from looptime.checks.season.season import Season

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
            command = [sys.executable, "-m", "tests.benchmarks.checks", what, name]
            times = [
                float(subprocess.run(command, check=True, capture_output=True, cwd=ROOT).stdout)
                for _ in range(7)
            ]
            rows.append((what, statistics.median(times), min(times), max(times)))
    print(f"{'what':<10}{'median s':>10}{'least':>8}{'most':>8}{'goal':>8}")
    for what, middle, least, most in rows:
        print(f"{what:<10}{middle:>10.3f}{least:>8.3f}{most:>8.3f}{GOAL_S:>8.1f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["rates"]:
        rates(int(sys.argv[2]) if len(sys.argv) > 2 else 300)
    elif len(sys.argv) == 3:
        import looptime  # the start that every command has

        assert looptime.__version__
        print(WHAT[sys.argv[1]](Path(sys.argv[2])))
    else:
        main()
