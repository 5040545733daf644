"""Planted starts: which are found, what bias a cut leaves, how much it costs.

``python -m tests.benchmarks.settling [--replicates N] [--recordings FOLDER --settled-s S]``

Loops of 5, 10, 20 and 60 ms in logs of 30, 60 and 150 s, with autocorrelation, a call once 100 ms
have gone by, pauses, and in half of the logs a level that moves by 2 %. A start is added to them,
so that what it leaves behind a cut is known. With a folder of recordings, the mean, the 99th
percentile and the standard deviation after the cut are held against those of the loops after a
time from which the program is known to be settled.
"""

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.warmup import warmup
from looptime.stats.settling import warm_up

Float = NDArray[np.float64]

BASES_MS, SPANS_S = (5, 10, 20, 60), (30, 60, 150)


def steady(
    rng: np.random.Generator, base: float, span_s: float, moving: bool
) -> tuple[Float, NDArray[np.bool_]]:
    """Periods [ms] without a start, and the loops in which the rare call is made."""
    n = int(span_s * 1000 / base)
    slow: Float = lfilter([1], [1, -0.5], rng.normal(0, np.sqrt(0.75), n))
    x: Float = np.asarray(base * np.exp(rng.normal(0, 0.03, n) + 0.05 * slow))
    if moving:
        edges = np.cumsum(rng.exponential(6.0, int(span_s)))
        x *= 1 + 0.02 * (np.searchsorted(edges, np.cumsum(x) / 1000) % 2)
    rare, now, last = np.zeros(n, bool), 0.0, -0.1 * rng.random()
    for i in range(n):
        if now - last >= 0.1:
            rare[i], last = True, now
        now += x[i] / 1000
    x[rare] += 0.3 * base * np.exp(rng.normal(0, 0.3, int(rare.sum())))
    pauses, late = (rng.integers(0, n, rng.poisson(r * span_s)) for r in (0.25, 0.15))
    x[pauses] += rng.lognormal(np.log(9), 0.3, len(pauses))
    x[late] += 2 + rng.exponential(6, len(late))
    return x, rare


#: What is added [ms] at the times t [s] to loops of a base period, given the rare call's loops.
Start = Callable[[Float, float, NDArray[np.bool_]], Float]


def _decay(share: float, tau_s: float) -> Start:
    return lambda t, base, rare: np.asarray(share * base * np.exp(-t / tau_s))


def _level(share: float, until_s: float) -> Start:
    return lambda t, base, rare: np.asarray(share * base * (t < until_s))


def _rare(tau_s: float) -> Start:
    return lambda t, base, rare: np.where(rare, 60 * np.exp(-t / tau_s), 0.0)


def _first(*stalls: float) -> Start:
    def made(t: Float, base: float, rare: NDArray[np.bool_]) -> Float:
        out = np.zeros(len(t))
        out[3 : 3 + 2 * len(stalls) : 2] = stalls
        return out

    return made


def _drift(share: float) -> Start:
    return lambda t, base, rare: np.asarray(share * base * t / 60)


#: Starts that must be found; starts too small for some of the logs; what is no start at all.
FOUND: dict[str, Start] = {
    "rare call alone, 0.6 s": _rare(0.6),
    "rare call alone, 2 s": _rare(2.0),
    "one first call of 150 ms": _first(150),
    "six first calls": _first(150, 50, 65, 55, 45, 30),
    "80 %, 0.5 s": _decay(0.8, 0.5),
    "30 %, 1 s": _decay(0.3, 1.0),
    "30 %, 2 s": _decay(0.3, 2.0),
    "30 %, 4 s": _decay(0.3, 4.0),
    "30 % level for 1.5 s": _level(0.3, 1.5),
}
SMALL: dict[str, Start] = {
    "80 %, 0.2 s": _decay(0.8, 0.2),
    "10 %, 2 s": _decay(0.1, 2.0),
    "10 %, 4 s": _decay(0.1, 4.0),
    "30 %, 8 s": _decay(0.3, 8.0),
    "10 % level for 3 s": _level(0.1, 3.0),
}
NONE: dict[str, Start] = {
    "none": _level(0.0, 0.0),
    "drift +1.5 % a minute": _drift(0.015),
    "drift -1.5 % a minute": _drift(-0.015),
}
FASTER: dict[str, Start] = {
    "10 % faster level for 3 s": _level(-0.1, 3.0),
    "30 % faster level for 1 s": _level(-0.3, 1.0),
}


def logs(start: Start, many: int, seed: int) -> Iterator[tuple[Float, Float, Float]]:
    """Start times [s], periods without and with the start [ms]."""
    rng = np.random.default_rng(seed)
    for base in BASES_MS:
        for span_s in SPANS_S:
            for k in range(2 * many):
                x, rare = steady(rng, base, span_s, k % 2 == 1)
                with_start = x + start(np.cumsum(x) / 1000, base, rare)
                yield (np.cumsum(with_start) - with_start) / 1000, x, with_start


def row(start: Start, many: int, seed: int) -> dict[str, float]:
    """Percent found, percent told as faster, bias before and after the cut [%], its length [s]."""
    made = []
    for t, x, with_start in logs(start, many, seed):
        found = warm_up(with_start, t)
        left = [with_start[c:].mean() / x[c:].mean() - 1 for c in (0, found.loops)]
        made.append((found.loops > 0, found.faster_loops > 0, *np.abs(left), found.seconds))
    at = np.array(made, float)
    return {
        "found": 100 * float(at[:, 0].mean()),
        "faster": 100 * float(at[:, 1].mean()),
        "uncut": 100 * float(at[:, 2].mean()),
        "left": 100 * float(at[:, 3].mean()),
        "left95": 100 * float(np.quantile(at[:, 3], 0.95)),
        "cut_s": float(at[:, 4].mean()),
    }


def of_recordings(folder: Path, settled_s: float) -> None:
    """Print the cut of each recording, and how far figures after it are from settled ones."""
    print(f"{'recording':<20} {'cut s':>6} {'mean %':>7} {'p99 %':>7} {'sd %':>7}")
    for path in sorted(folder.glob("*.csv*")):
        basis = prepare(looptime.read(path))
        x, start = basis.judged_ms, basis.run.loop_columns.start_ns / 1e9
        cut, late = warmup(basis), x[start - start[0] >= settled_s]
        rest = x[cut.loops :]
        off = [100 * (f(rest) / f(late) - 1) for f in (np.mean, _p99, np.std)]
        print(f"{path.name:<20} {cut.seconds:6.2f} " + " ".join(f"{v:7.2f}" for v in off))


def _p99(x: Float) -> float:
    return float(np.quantile(x, 0.99))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replicates", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--recordings", type=Path)
    parser.add_argument("--settled-s", type=float, default=5.0)
    asked = parser.parse_args()
    many = 2 * len(BASES_MS) * len(SPANS_S) * asked.replicates
    print(f"{many} logs a row; found must be at least 98 % above, at most 2 % where there is none")
    print(f"{'start':<28} found faster | bias % uncut, left, 95th | cut s")
    for kinds in (FOUND, SMALL, NONE, FASTER):
        for name, start in kinds.items():
            v = row(start, asked.replicates, asked.seed)
            print(
                f"{name:<28} {v['found']:5.1f} {v['faster']:6.1f} |"
                f" {v['uncut']:5.2f} {v['left']:5.2f} {v['left95']:5.2f} | {v['cut_s']:5.2f}"
            )
        print()
    if asked.recordings:
        of_recordings(asked.recordings, asked.settled_s)


if __name__ == "__main__":
    main()
