"""Throughput of ``season add``: logs a second, rows a second and memory, for 1 and 2 processes.

Run ``python -m tests.benchmarks.season [--runs 500] [--few 50] [--loops 7500] [--copies]``. Every
job reads a real log of 30 rows a loop from disk; with `--copies` from its prepared copy, as of logs
that were looked at before. A few logs serve many runs, each shifted in time by another number of
nanoseconds so that it is a run of its own. Where Dask is installed, a cluster of two workers on
this machine does the same; that all make the same bytes is checked, and that there are as many runs
as logs.
"""

import argparse
import hashlib
import importlib.util
import multiprocessing
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from looptime.__main__ import _select_quickly

ROOT = Path(__file__).resolve().parents[2]
CALLS = 29
LOGS = 6
CLUSTER = "Dask, 2"


def write_log(path: Path, seed: int, loops: int) -> int:
    """A log in the recorder's layout; returns its rows."""
    rng = np.random.default_rng(seed)
    duration = rng.lognormal(np.log(0.5e6), 0.2, (loops, CALLS)).astype(np.int64)
    body = duration.sum(axis=1) + 300_000
    start = np.cumsum(body) - body
    begin = start[:, None] + np.cumsum(duration, axis=1) - duration
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write("# looptime-recorder: java 1\n# robot: tray-carrier\n# clock: monotonic\n")
        file.write("loop,thread,seq,name,start_us,duration_us,phase,mark,value\n")
        seq = 0
        for i in range(loops):
            for j in range(CALLS):
                at, took = begin[i, j] / 1000, duration[i, j] / 1000
                file.write(f"{i},main,{seq},device{j}.read,{at:.3f},{took:.3f},,,\n")
                seq += 1
            file.write(f"{i},main,{seq},loop,{start[i] / 1000:.3f},{body[i] / 1000:.3f},,,\n")
            seq += 1
        file.write("# dropped: 0\n")
    return seq


@dataclass(frozen=True)
class ShiftedReader:
    """Reads ``PATH#K`` from disk as the log PATH with all times K nanoseconds later."""

    copies: bool  #: Whether a prepared copy may be read

    def __call__(self, path: str):
        """The runs of the log."""
        from looptime.parsers.read import read_log

        file, _, k = path.rpartition("#")
        made = []
        for run in read_log(file, cache=self.copies).runs:
            loops, calls = run.loop_columns, run.call_columns
            shift = int(k)
            made.append(
                replace(
                    run,
                    loop_columns=replace(loops, start_ns=loops.start_ns + shift),
                    call_columns=replace(calls, start_ns=calls.start_ns + shift),
                )
            )
        return made


def _cpu_s() -> float | None:
    """Processor time of this process and of those it has ended [s]; a busy machine counts less."""
    try:
        import resource
    except ImportError:
        return None
    own, ended = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + ended.ru_utime + ended.ru_stime


def _peak_mb() -> float | None:
    """Largest memory of this process so far [MB]; None where the system does not tell."""
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return max(peak, children) / (1e6 if sys.platform == "darwin" else 1e3)


@contextmanager
def _cluster() -> Iterator[str]:
    """Address of a scheduler with two workers of one thread on this machine."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        yield cluster.scheduler_address


def _measure(paths: list[str], folder: str, processes: int | str, copies: bool) -> tuple:
    """Add in a process of its own, so that its memory is its own."""
    from looptime.checks.recording.recording import Settings
    from looptime.checks.season.adding import Job, add_logs
    from looptime.checks.season.season import Season
    from tests.benchmarks.season import ShiftedReader  # by a name that workers know, too

    season = Season(folder, create=True)
    jobs = [Job(path, ShiftedReader(copies), Settings()) for path in paths]
    if processes == CLUSTER:
        with _cluster() as address:
            begin = time.perf_counter()
            added = add_logs(season, jobs, scheduler=address)
            took = time.perf_counter() - begin
    else:
        begin = time.perf_counter()
        added = add_logs(season, jobs, processes=processes)
        took = time.perf_counter() - begin
    assert len(added.new) == len(paths), next(iter(added.errors.values()))
    kept = sorted(Path(folder).rglob("*.parquet"))
    digest = hashlib.sha256(b"".join(file.read_bytes() for file in kept)).hexdigest()
    return took, _cpu_s(), _peak_mb(), sum(f.stat().st_size for f in kept) / len(paths), digest


def main() -> None:
    """Print the tables."""
    options = argparse.ArgumentParser()
    options.add_argument("--runs", type=int, default=500)
    options.add_argument("--few", type=int, default=50)
    options.add_argument("--loops", type=int, default=7500)
    options.add_argument("--copies", action="store_true")
    given = options.parse_args()
    _select_quickly()  # as the command does, for the processes that are started
    context = multiprocessing.get_context("spawn")
    results = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rows = [write_log(folder / f"log-{k}.csv", k, given.loops) for k in range(LOGS)]
        if given.copies:
            for k in range(LOGS):
                ShiftedReader(True)(f"{folder / f'log-{k}.csv'}#0")
        for count in sorted({given.few, given.runs}):
            paths = [f"{folder / f'log-{k % LOGS}.csv'}#{k}" for k in range(count)]
            digests = set()
            cluster = importlib.util.find_spec("distributed") is not None
            for processes in (1, 2, *([CLUSTER] if cluster else [])):
                season = str(folder / f"season-{count}-{processes}")
                with ProcessPoolExecutor(1, context) as alone:
                    took, cpu, peak, size, digest = alone.submit(
                        _measure, paths, season, processes, given.copies
                    ).result()
                digests.add(digest)
                results.append((count, processes, took, cpu, rows[0], peak, size))
                _print(results[-1:], header=len(results) == 1)
            print("the same bytes" if len(digests) == 1 else "DIFFERENT BYTES", flush=True)
    _on_paper(results)


def _print(results, header: bool) -> None:
    if header:
        print(f"{'runs':>6}{'processes':>11}{'s':>9}{'s a run':>9}{'cpu s':>8}{'runs/s':>8}"
              f"{'rows/s':>12}{'MB a process':>14}{'bytes a run':>13}")  # fmt: skip
    for count, processes, took, cpu, rows, peak, size in results:
        speed = f"{(cpu or 0) / count:>8.3f}{count / took:>8.2f}{rows * count / took:>12,.0f}"
        print(f"{count:>6}{processes:>11}{took:>9.1f}{took / count:>9.3f}{speed}"
              f"{peak or 0:>14.0f}{size:>13,.0f}", flush=True)  # fmt: skip


def _on_paper(results) -> None:
    """What the measured time a run means for more runs, with the arithmetic."""
    count, _, took, _, _, _, size = next(r for r in results if r[0] == results[-1][0] and r[1] == 1)
    each = took / count
    print(f"\non paper, from {each:.3f} s a run on one process and {size:,.0f} bytes a run:")
    for runs in (1_000, 10_000, 100_000):
        for processes in (2, 16, 128):
            hours = runs * each / processes / 3600
            print(f"  {runs:>7,} runs x {each:.3f} s / {processes:>3} processes = {hours:>7.2f} h;"
                  f" {runs * size / 1e9:.2f} GB")  # fmt: skip


if __name__ == "__main__":
    main()
