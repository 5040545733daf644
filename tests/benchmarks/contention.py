"""How well waits are told and threads predicted: ``python -m tests.benchmarks.contention PART...``.

``generated`` plays loops and threads on locks event by event and counts pairs found, missed and
false. ``locks`` runs real programs on real locks (Java, C++, Python; on one processor and on two),
each of which logs what it truly waited, and predicts each from the program without a thread.
Without a part both are run. Needs a JDK and a C++ compiler, for many recordings of ``--seconds``.
"""

import argparse
import csv
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.contention import Contentions, contention
from looptime.planner.answer.predict import predict, prepare_run
from looptime.project import Bus
from looptime.run import Run
from tests.two_threads import Job, play

PROGRAMS = Path(__file__).parent / "lock_programs"
KINDS = {
    "java": ("fair", "barging", "monitor", "none", "busy"),
    "c++": ("barging", "none", "busy"),
    "python": ("barging", "none"),
}
LOCKED = ("wheel.",)


@dataclass
class Count:
    """Pairs that share a lock and those that do not, and the waiting of the loop [ms]."""

    sharing: int = 0
    found: int = 0
    apart: int = 0
    others: int = 0
    false: int = 0
    waits: list[tuple[float, float]] = field(default_factory=list)

    def add(self, found: Contentions, true: Callable[[str, str], bool], waited: float) -> None:
        """Count one log."""
        for (call, _, other), verdict in found.verdicts.items():
            shares = verdict in ("shares", "likely")
            if true(call, other):
                self.sharing += 1
                self.found += shares
                self.apart += verdict == "apart"
            else:
                self.others += 1
                self.false += shares
        self.waits.append((sum(found.wait_ms.values()), waited))

    def line(self, what: str) -> str:
        """What came out, in one line."""
        off = [100 * (got / true - 1) for got, true in self.waits if true > 0.05]
        middle = f"{np.median(off):+6.1f} % ({min(off):+.1f} to {max(off):+.1f})" if off else "-"
        return (
            f"{what:30} found {self.found:4} of {self.sharing:4}, called apart {self.apart:3}; "
            f"false {self.false:3} of {self.others:4}; waiting {middle}"
        )


# ---- generated --------------------------------------------------------------------------------


def _loop(rng: np.random.Generator, cost: np.ndarray) -> list[Job]:
    locks = ("a", None, "a", "b", None, "a", "a")
    return [Job(f"call.{k}", float(cost[k]), lock, gap_ms=0.01 + rng.uniform(0, 0.02))
            for k, lock in enumerate(locks)]  # fmt: skip


def generated(replicates: int) -> None:
    """Loops and threads on locks: of each kind so many, all costs and rests drawn anew."""
    kinds: dict[str, tuple[str | None, float, float, bool, float]] = {
        "fair lock": ("a", 0.0, 0.0, False, 0.0), "barging lock": ("a", 0.95, 0.1, False, 0.0),
        "row outlasts its lock": ("a", 0.0, 0.0, True, 0.0),
        "no lock": (None, 0.0, 0.0, False, 0.0), "lock of its own": ("own", 0.0, 0.0, False, 0.0),
        "fair lock, uneven calls": ("a", 0.0, 0.0, False, 0.5),
        "barging lock, uneven calls": ("a", 0.95, 0.1, False, 0.5),
        "no lock, uneven calls": (None, 0.0, 0.0, False, 0.5),
    }  # fmt: skip
    for name, (lock, first, later, tail, uneven) in kinds.items():
        count = Count()
        for seed in range(replicates):
            rng = np.random.default_rng(seed)
            cost, own, rest = rng.uniform(0.4, 2.5, 7), rng.uniform(1, 3), rng.uniform(0.5, 10)
            late = float(rng.uniform(0.3, 0.9)) if tail else 0.0
            played = play(
                {
                    "main": lambda r, cost=cost: _loop(r, cost),
                    "reader": lambda r, own=own, rest=rest, late=late, lock=lock, uneven=uneven: [
                        Job(
                            "gyro.read", own * float(np.exp(uneven * r.standard_normal())), lock,
                            gap_ms=rest * r.uniform(0.9, 1.1), tail_ms=late,
                        )
                    ],
                },
                1200, seed=seed,
                chance=lambda lost, first=first, later=later: later if lost else first,
            )  # fmt: skip
            shares = {f"call.{k}" for k, held in enumerate("a-ab-aa") if held == lock}
            waited = sum(played.wait_ms().values())
            found = contention(prepare(played.run()))
            count.add(found, lambda call, _, shares=shares: call in shares, waited)
        print(count.line(f"{name}, {replicates} logs"), flush=True)


# ---- real locks -------------------------------------------------------------------------------


def _command(language: str, folder: Path) -> list[str]:
    if language == "python":
        return [sys.executable, str(PROGRAMS / "locks.py")]
    if language == "java":
        subprocess.run(["javac", "-d", str(folder), str(PROGRAMS / "Locks.java")], check=True)
        return ["java", "-cp", str(folder), "Locks"]
    made = str(folder / "locks")
    subprocess.run(["g++", "-O2", "-pthread", "-o", made, str(PROGRAMS / "locks.cpp")], check=True)
    return [made]


def _recorded(command: list[str], one: bool, folder: Path, *given: object) -> tuple[Run, float]:
    """A recording without its first second, and what the loop truly waited [ms a loop]."""
    raw, log = folder / "raw.csv", folder / "log.csv"
    pinned = ["taskset", "-c", "0"] if one and shutil.which("taskset") else []
    subprocess.run([*pinned, *command, *map(str, given), str(raw)], check=True)
    with raw.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    begin = min(int(row["start_ns"]) for row in rows) + 1_000_000_000
    rows = sorted(
        (r for r in rows if int(r["start_ns"]) >= begin), key=lambda r: int(r["start_ns"])
    )
    heads = ["thread", "loop", "name", "start_ns", "end_ns"]
    lines = [",".join(row[h] for h in heads) for row in rows]
    log.write_text("\n".join([",".join(heads), *lines]) + "\n", encoding="utf-8")
    mine = [row for row in rows if row["thread"] == "main"]
    waited = sum(int(row["waited"]) for row in mine) / len({row["loop"] for row in mine}) / 1e6
    return looptime.read(log, cache=False), waited


def _labelled(run: Run) -> Run:
    bus = {n.name: "port" if n.name.startswith(("wheel.", "gyro.")) else "aux" for n in run.names}
    return run.with_names(tuple(replace(n, bus=bus[n.name]) for n in run.names))


def locks(seconds: float, rests: tuple[float, ...] = (1.0, 5.0, 20.0)) -> None:
    """Real programs: pairs, waiting, the kind of lock, and the prediction from the plain loop."""
    for language, kinds in KINDS.items():
        for one in (False, True):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                command = _command(language, folder)
                plain, _ = _recorded(command, one, folder, "barging", -1, seconds, 1)
                for kind in kinds:
                    _kind(language, kind, one, rests, lambda rest, kind=kind, command=command,
                          folder=folder, one=one: _recorded(
                              command, one, folder, kind, rest, seconds, 2), plain)  # fmt: skip


def _kind(
    language: str, kind: str, one: bool, rests: tuple[float, ...],
    record: Callable[[float], tuple[Run, float]], plain: Run,
) -> None:  # fmt: skip
    count, seen, told = Count(), [], []
    for rest in rests:
        run, waited = record(rest)
        found = contention(prepare(run))
        locked = kind not in ("none", "busy")
        count.add(found, lambda call, _, locked=locked: locked and call.startswith(LOCKED), waited)
        seen += [entry.lock for entry in found.found]
        if locked:
            told.append(_predicted(plain, run, rest, kind))
    where = "1 processor" if one else f"{min(os.cpu_count() or 1, 2)} processors"
    print(count.line(f"{language} {kind}, {where}"), "lock", *sorted(set(seen)), flush=True)
    for line in told:
        print(f"{'':8}{line}", flush=True)


def _predicted(plain: Run, run: Run, rest: float, kind: str) -> str:
    buses = {"port": Bus(lock="fair" if kind == "fair" else "unknown")}
    ready = prepare_run(_labelled(plain), buses=buses, keep_warmup=True)
    told = predict(ready, [f"thread gyro.read rest-ms={rest:g}"])
    mean, came = told.predicted.period_ms["mean"], run.loop_columns.period_ns.mean() / 1e6
    low, value, high = (float(x or 0.0) for x in (mean.low, mean.value, mean.high))
    inside = "inside" if low <= came <= high else "OUTSIDE"
    return (
        f"thread with a rest of {rest:g} ms: predicted {value:.2f} ({low:.2f} to {high:.2f}) ms, "
        f"recorded {came:.2f} ms, {100 * (value / came - 1):+.1f} %, {inside}"
    )


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", nargs="*", metavar="PART", help="generated or locks")
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--replicates", type=int, default=20)
    options = parser.parse_args()
    if unknown := set(options.part) - {"generated", "locks"}:
        parser.error(f"no such part: {', '.join(sorted(unknown))}")
    if not options.part or "generated" in options.part:
        generated(options.replicates)
    if not options.part or "locks" in options.part:
        locks(options.seconds)


if __name__ == "__main__":
    main()
