"""How fast logs are read, and in how much memory, beside general-purpose readers.

Run it as ``python -m tests.benchmarks.reading [--rows MILLIONS ...] [--times N]``. It generates
`calls` logs of about 57 bytes a row (15 rows a loop, in end order, nested two deep; the same for
the same seed), and the same as a general CSV writer would set it: words in quotes, start and end in
ns, no row for the loop. It runs one process per measurement, the contestants in turn, and prints
medians of processor time with the least and the greatest. Peers read the same file: a Polars script
that computes per-name mean, standard deviation, count, maximum and three quantiles, quantiles of
the loops' periods and the table of costs by loop and name; and the bare multi-threaded CSV reader
of Arrow. The aims:

- first read without cache at most 0.5 x Polars and 0.9 x bare Arrow at 10.5 million rows, quoted
  or not;
- a round of three phases at most 0.8 x the lines of pandas that a notebook would use, and 0.5 x
  from the prepared copy;
- writing the prepared copy adds at most 20 %, and the second read takes at most 0.25 x the first;
- at most 0.8 GB at 10.5 million rows, growing by at most 40 bytes a row up to 50 million;
- time per row grows by at most 15 % from 1 to 50 million rows.

All programs run once before anything is measured, so that none waits to be compiled.

Polars is no dependency: where it is not installed it is left out, and that is said. Files go to a
temporary folder and are deleted. Only ratios mean anything on a shared machine.
"""

import argparse
import gzip
import importlib.util
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

CALLS = (
    ("gyro.read", 900, None), ("encoder.front.left", 210, "encoders.update"),
    ("encoder.front.right", 215, "encoders.update"), ("encoder.rear.left", 205, "encoders.update"),
    ("encoder.rear.right", 220, "encoders.update"), ("encoders.update", 0, None),
    ("mast.read", 480, "mast.update"), ("mast.write", 310, "mast.update"),
    ("mast.update", 0, None), ("gripper.read", 530, "gripper.update"),
    ("gripper.update", 0, None), ("drive.write.front", 350, "drive.update"),
    ("drive.write.rear", 340, "drive.update"), ("drive.update", 0, None), ("loop", 0, None),
)  # fmt: skip
HEADER = "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n"
GAP_NS = 12_000
POLARS = """
import sys
import polars as pl
log = pl.read_csv(sys.argv[1], comment_prefix="#")
took = pl.col("duration_us")
names = log.group_by("name").agg(
    took.mean().alias("mean"), took.std().alias("sd"), took.count().alias("n"),
    took.max().alias("max"), *(took.quantile(q).alias(str(q)) for q in (0.5, 0.95, 0.99)))
starts = log.filter(pl.col("name") == "loop")["start_us"]
periods = [starts.diff().quantile(q) for q in (0.5, 0.95, 0.99)]
table = log.group_by("loop", "name").agg(took.sum())
print(len(names), periods, len(table))
"""
QUOTED_POLARS = POLARS.replace(
    'pl.col("duration_us")', '(pl.col("end_ns") - pl.col("start_ns"))'
).replace(
    'log.filter(pl.col("name") == "loop")["start_us"]',
    'log.group_by("loop").agg(pl.col("start_ns").min()).sort("loop")["start_ns"]',
)
NOTEBOOK = """
import sys
import pandas as pd
d = pd.read_csv(sys.argv[1], comment="#")
d[d.name == "loop"].start_us.diff().describe(percentiles=[.5, .95, .99])
d.groupby("name").duration_us.agg(["mean", "std", "count", "max"])
"""
READ = "import sys, looptime; print(len(looptime.read(sys.argv[1])))"
ARROW = "import sys; from pyarrow import csv; print(csv.read_csv(sys.argv[1], {options}).num_rows)"
POLARS_IS_THERE = importlib.util.find_spec("polars") is not None
AFTER_COMMENTS = "read_options=csv.ReadOptions(skip_rows=2)"
PANDAS = "import sys, pandas, pyarrow.csv as csv; csv.read_csv(sys.argv[1], {options})"


def write_log(path: Path, rows: int, seed: int = 1, quoted: bool = False) -> int:
    """Write a log of about so many rows; returns the exact number."""
    from pyarrow import csv

    rng = np.random.default_rng(seed)
    loops = -(-rows // len(CALLS))
    with path.open("wb") as file:
        if quoted:
            file.write(b'"loop","thread","name","start_ns","end_ns","phase"\n')
        else:
            file.write(b"# looptime-recorder: python 1\n# clock: monotonic\n" + HEADER.encode())
        at, done = 5_000_000, 0
        while done < loops:
            count = min(40_000, loops - done)
            table, at = _block(rng, done, count, at)
            style = "needed" if quoted else "none"
            options = csv.WriteOptions(include_header=False, quoting_style=style)
            csv.write_csv(_as_a_writer_does(table) if quoted else table, file, options)
            done += count
    return loops * (len(CALLS) - quoted)


def _as_a_writer_does(table):
    """The calls without the loop's own row, their instants in ns."""
    import pyarrow as pa
    import pyarrow.compute as pc

    table = table.filter(pc.not_equal(table["name"], "loop"))
    start, length = (
        np.rint(1000 * table[name].to_numpy()).astype(np.int64)
        for name in ("start_us", "duration_us")
    )
    kept = {name: table[name] for name in ("loop", "thread", "name")}
    return pa.table(kept | {"start_ns": start, "end_ns": start + length, "phase": table["phase"]})


def _block(rng: np.random.Generator, first: int, count: int, at: int):
    """Rows of some loops, and the instant at which the next one starts [ns]."""
    import pyarrow as pa

    width = len(CALLS)
    begin, end = np.zeros((count, width), np.int64), np.zeros((count, width), np.int64)
    now = np.zeros(count, np.int64)
    opened: dict[str, np.ndarray] = {}
    for k, (name, typical_us, parent) in enumerate(CALLS):
        if parent is not None and parent not in opened:
            now += GAP_NS
            opened[parent] = now.copy()
        if typical_us:
            now += GAP_NS
            begin[:, k] = now
            now += (1000 * typical_us * rng.lognormal(0, 0.15, count)).astype(np.int64)
        elif name != "loop":
            begin[:, k] = opened[name]
            now += GAP_NS
        end[:, k] = now
    stall = rng.random(count) < 0.002
    now += np.where(stall, 15_000_000, 200_000)
    end[:, -1] = now
    start = at + np.concatenate([[0], np.cumsum(now)[:-1]])
    loop = np.repeat(np.arange(first, first + count), width)
    names = pa.DictionaryArray.from_arrays(
        pa.array(np.tile(np.arange(width, dtype=np.int32), count)), [c[0] for c in CALLS]
    )
    total = count * width
    empty = pa.nulls(total, pa.string())
    columns = {
        "loop": loop, "thread": pa.repeat("main", total),
        "seq": np.arange(first * width, first * width + total), "name": names.cast("string"),
        "start_us": (start[:, None] + begin).ravel() / 1000.0,
        "duration_us": (end - begin).ravel() / 1000.0,
        "phase": pa.repeat("drive", total), "mark": empty, "value": empty,
    }  # fmt: skip
    return pa.table(columns), int(start[-1] + now[-1])


@dataclass
class Figures:
    """What the runs of one command took."""

    seconds: list[float] = field(default_factory=list)
    megabytes: list[float] = field(default_factory=list)

    @property
    def typical(self) -> float:
        return statistics.median(self.seconds)

    def line(self, name: str, rows: int, base: float | None = None) -> str:
        ratio = "" if base is None else f"{self.typical / base:7.2f} x"
        spread = f"({min(self.seconds):.2f}..{max(self.seconds):.2f})"
        memory = max(self.megabytes, default=0)
        return (
            f"{name:<30}{self.typical:8.2f} s {spread:<16}"
            f"{1e9 * self.typical / rows:8.0f} ns/row{memory:8.0f} MB{ratio}"
        )


def measure(command: list[str], into: Figures, cache: Path | None = None) -> None:
    """Run one process; processor time (else wall time), peak memory where the system tells it."""
    env = {**os.environ, "LOOPTIME_CACHE": str(cache) if cache else ""}
    env.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed package has been compiled, too
    begun = time.perf_counter()
    with tempfile.TemporaryFile() as errors:
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=errors, env=env)
        if hasattr(os, "wait4"):
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            scale = 1e6 if sys.platform == "darwin" else 1e3
            into.megabytes.append(usage.ru_maxrss / scale)
            into.seconds.append(usage.ru_utime + usage.ru_stime)
        else:
            process.wait()
            into.seconds.append(time.perf_counter() - begun)
        if process.returncode:
            errors.seek(0)
            sys.exit(f"{command} failed: {errors.read().decode(errors='replace')}")


def contest(
    folder: Path, rows: int, times: int, peers: bool, quoted: bool = False
) -> dict[str, Figures]:
    """Measure all contestants on one file, in turn."""
    path = folder / f"log_{rows}.csv"
    exact = write_log(path, rows, quoted=quoted)
    how = ", words quoted" if quoted else ""
    print(f"\n{exact:,} rows{how}, {path.stat().st_size / 1e6:.0f} MB", flush=True)
    python = sys.executable
    summary = [python, "-m", "looptime", "summary", str(path)]
    read = [python, "-c", READ, str(path)]
    kinds = ("no cache", "first", "second", "read", "read first", "read second", "polars", "arrow")
    found = {kind: Figures() for kind in kinds}
    for _ in range(times):
        measure([*summary, "--no-cache"], found["no cache"])
        cache = folder / "cache"
        measure(summary, found["first"], cache)
        measure(summary, found["second"], cache)
        _empty(cache)
        measure(read, found["read"])
        measure(read, found["read first"], cache)
        measure(read, found["read second"], cache)
        _empty(cache)
        if peers:
            if POLARS_IS_THERE:
                script = QUOTED_POLARS if quoted else POLARS
                measure([python, "-c", script, str(path)], found["polars"])
            arrow = ARROW.format(options="" if quoted else AFTER_COMMENTS)
            measure([python, "-c", arrow, str(path)], found["arrow"])
    path.unlink()
    base = found["no cache"].typical
    print(found["no cache"].line("summary --no-cache", exact))
    print(found["first"].line("summary, writing the copy", exact, base))
    print(found["second"].line("summary, from the copy", exact, base))
    alone = found["read"].typical
    print(found["read"].line("read alone", exact))
    print(found["read first"].line("read alone, writing the copy", exact, alone))
    print(found["read second"].line("read alone, from the copy", exact, alone))
    if peers:
        print(found["arrow"].line("bare Arrow", exact))
        if POLARS_IS_THERE:
            print(found["polars"].line("Polars", exact))
            print(f"summary / Polars {base / found['polars'].typical:.2f} (aim 0.50)")
        else:
            print("Polars is left out: it is not installed")
        print(f"summary / Arrow  {base / found['arrow'].typical:.2f} (aim 0.90)", flush=True)
    return found


def _empty(folder: Path) -> None:
    for file in folder.glob("*"):
        file.unlink()


def warm(folder: Path) -> None:
    """Let every program be compiled and loaded once before anything is measured."""
    path = folder / "warm.csv"
    write_log(path, 30_000)
    options = AFTER_COMMENTS
    for command in (
        ["-m", "looptime", "summary", str(path)],
        ["-c", PANDAS.format(options=options), str(path)],
        ["-c", ARROW.format(options=options), str(path)],
        *([["-c", POLARS, str(path)]] if POLARS_IS_THERE else []),
    ):
        measure([sys.executable, *command], Figures(), folder / "cache")
    _empty(folder / "cache")


def short(folder: Path, times: int = 5) -> None:
    """A quarter of a million rows, against loading pandas and reading with Arrow."""
    path = folder / "short.csv"
    rows = write_log(path, 225_000)
    ours, theirs = Figures(), Figures()
    command = [sys.executable, "-c", PANDAS.format(options=AFTER_COMMENTS), str(path)]
    for _ in range(times):
        measure([sys.executable, "-m", "looptime", "summary", "--no-cache", str(path)], ours)
        measure(command, theirs)
    print(f"\n{rows:,} rows, {path.stat().st_size / 1e6:.0f} MB")
    print(ours.line("summary --no-cache", rows))
    print(theirs.line("import pandas; Arrow read_csv", rows))
    print(f"summary / pandas and Arrow {ours.typical / theirs.typical:.2f}", flush=True)


def one_round(folder: Path, times: int = 7) -> None:
    """The recorded round of three phases, against the lines that a notebook would use."""
    from looptime.samples import folder as samples

    path, cache = folder / "round.csv", folder / "cache"
    path.write_bytes(gzip.decompress((samples() / "round.csv.gz").read_bytes()))
    rows = path.read_bytes().count(b"\n")
    first, again, theirs = Figures(), Figures(), Figures()
    summary = [sys.executable, "-m", "looptime", "summary", str(path)]
    for _ in range(times):
        measure([*summary, "--no-cache"], first)
        measure(summary, Figures(), cache)
        measure(summary, again, cache)
        measure([sys.executable, "-c", NOTEBOOK, str(path)], theirs)
    print(f"\na round, {rows:,} rows")
    base = theirs.typical
    print(theirs.line("lines of pandas", rows))
    print(first.line("summary --no-cache (aim 0.80)", rows, base))
    print(again.line("summary, from the copy (0.50)", rows, base), flush=True)
    _empty(cache)


def main() -> None:
    """Print the tables."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--rows", type=float, nargs="*", default=[1, 10.5, 50], metavar="MILLIONS")
    asked.add_argument("--times", type=int, default=3)
    asked.add_argument("--no-short", action="store_true")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="looptime_reading_") as name:
        folder = Path(name)
        warm(folder)
        if not given.no_short:
            short(folder)
            one_round(folder)
        found = {}
        for millions in given.rows:
            rows = int(millions * 1e6)
            found[rows] = contest(folder, rows, given.times, peers=millions <= 20)
            if millions <= 20:
                contest(folder, rows, given.times, peers=True, quoted=True)
        if len(found) > 1:
            least, most = min(found), max(found)
            speed = [found[rows]["no cache"].typical / rows for rows in (least, most)]
            print(
                f"\ntime per row, {most:,} to {least:,} rows: {speed[1] / speed[0]:.2f} (aim 1.15)"
            )
            memory = [max(found[rows]["no cache"].megabytes, default=0) for rows in sorted(found)]
            per_row = 1e6 * (memory[-1] - memory[-2]) / (sorted(found)[-1] - sorted(found)[-2])
            print(f"memory grows by {per_row:.0f} bytes a row (aim 40)")


if __name__ == "__main__":
    main()
