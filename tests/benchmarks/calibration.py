"""Hold the statistics to their promised error rates on simulated recordings.

Run as ``python -m tests.benchmarks.calibration PART...``; without a part all are run, one after
the other. Each prints a table of what was measured against what is promised, and the exit code
is 1 where a promise is broken. ``--replicates`` trades certainty for time.
"""

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from looptime.stats.between_runs import compare_runs, count_scale, log_scale
from looptime.stats.changepoints import change_points
from looptime.stats.jackknife import jackknife
from looptime.stats.levels import ALONE, IN_RUN
from looptime.stats.multiple import holm
from looptime.stats.prediction_limits import prediction_limit
from looptime.stats.quantiles import quantiles, worst_mean
from looptime.stats.recurrence_test import rhythm, rhythms
from looptime.stats.settling import warm_up
from looptime.stats.slope import drift
from looptime.stats.student import t_two_sided
from looptime.stats.twosample import compare_recordings, usual_scatter
from tests.benchmarks.generator import (
    KINDS,
    Kind,
    Plant,
    Recording,
    clean,
    paced,
    record,
    run_effects,
)
from tests.benchmarks.seasons import SHAPES, accused_percent, seen_percent

#: Which series of chance all parts draw from; another number gives an independent calibration.
SERIES = {"seed": 0}
FIGURES = ("mean", "median", "p95", "p99", "p99.9", "worst1")
T = KINDS["T"]


@dataclass(frozen=True)
class Row:
    """One line of the table: a rate in percent (or a time in ms) and where it must lie."""

    what: str
    value: float
    low: float = 0.0
    high: float = 100.0

    @property
    def good(self) -> bool:
        """Whether the promise is kept."""
        return self.low <= self.value <= self.high


def percent(hits: list[bool] | np.ndarray) -> float:
    """Share of hits in percent."""
    return 100 * float(np.mean(hits))


def rngs(seed: int, many: int) -> list[np.random.Generator]:
    """Independent generators."""
    root = np.random.SeedSequence([seed, SERIES["seed"]] if SERIES["seed"] else seed)
    return [np.random.default_rng(s) for s in root.spawn(many)]


def judged_pairs(kind: Kind, n: int, many: int, plant: Plant, seed: int) -> dict[str, float]:
    """Share of pairs called different, by statistic and test; `plant` is in the second."""
    hits: dict[str, list[bool]] = {}
    for a, b in zip(rngs(seed, many), rngs(seed + 1, many), strict=True):
        old, new = record(a, kind, n), record(b, kind, n, plant=plant)
        names = (*FIGURES, "overruns")
        found = compare_recordings(old.period_ms, new.period_ms, names, budget=14.0)
        for name, d in found.items():
            if d.refused:
                continue
            if d.exceedance:
                hits.setdefault(f"{name} exceedance", []).append(d.exceedance.p < 0.05)
                p = t_two_sided(d.judged, d.se, d.df)
            else:
                p = d.p
            hits.setdefault(name, []).append(p < 0.05)
    return {name: percent(h) for name, h in hits.items()}


def pairs(many: int) -> list[Row]:
    """One recording a side: false alarms over kinds and lengths."""
    rows: list[Row] = []
    worst: dict[str, float] = {}
    for k, name in enumerate("ETHR"):
        for n in (3000, 6000, 12000):
            rates = judged_pairs(KINDS[name], n, many, Plant(), 1000 * k + n)
            print(f"  {name}{n}: " + "  ".join(f"{s} {v:.1f}" for s, v in rates.items()))
            for s, v in rates.items():
                worst[s] = max(worst.get(s, 0), v)
            if name == "T" and n == 6000:
                rows += [Row(f"T 6,000 {s}", rates[s], 2.5, 7) for s in FIGURES[:4]]
                rows += [
                    Row("T 6,000 worst-1 % mean", rates["worst1"], 0, 7),
                    Row("T 6,000 overruns >14 ms", rates["overruns"], 0, 7),
                ]
    rows += [Row(f"worst setting, {s}", worst[s], 0, 9) for s in FIGURES[:4]]
    rows += [
        Row("worst setting, p99 by exceedance", worst["p99 exceedance"], 0, 8),
        Row("worst setting, p99.9 by exceedance", worst["p99.9 exceedance"], 0, 7.5),
        Row("worst setting, worst-1 % mean", worst["worst1"], 0, 7),
        Row("worst setting, overruns >14 ms", worst["overruns"], 0, 7),
    ]
    return rows


def power(many: int) -> list[Row]:
    """One recording a side: planted changes that must be seen."""
    one = judged_pairs(T, 6000, many, Plant(shift=0.01), 31)
    two = judged_pairs(T, 6000, many, Plant(shift=0.02), 33)
    five = judged_pairs(T, 6000, many, Plant(shift=0.05), 35)
    tail = judged_pairs(T, 6000, many, Plant(tail_per_s=0.8), 37)
    return [
        Row("+1 %, mean", one["mean"], 92),
        Row("+2 %, p95", two["p95"], 73),
        Row("+5 %, p99 by exceedance", five["p99 exceedance"], 84),
        Row("+5 %, p99 by jackknife", five["p99"], 71),
        Row("0.8 stalls/s, p99 by exceedance", tail["p99 exceedance"], 97),
    ]


def bank(many: int, rr: float, plant: Plant, seed: int, n: int = 6000) -> dict[str, np.ndarray]:
    """Values of many runs on the scales on which runs are compared."""
    out: dict[str, list[float]] = {"mean": [], "p99": [], "worst1": [], "overruns": []}
    for rng in rngs(seed, many):
        x = record(rng, T, n, plant=plant, effects=run_effects(rng, rr)).period_ms
        out["mean"].append(float(x.mean()))
        out["p99"].append(float(quantiles(x, [0.99])[0]))
        out["worst1"].append(worst_mean(x))
        out["overruns"].append(float((x > 14).sum()))
    scaled = {s: log_scale(v) for s, v in out.items() if s != "overruns"}
    return scaled | {"overruns": count_scale(out["overruns"])}


def student_rate(
    old: np.ndarray, new: np.ndarray, k: int, history: np.ndarray | None, many: int
) -> float:
    """Share of comparisons of k runs a side called different."""
    hits = []
    for i in range(many):
        past = None if history is None else history[i * 8 : i * 8 + 8]
        a, b = old[i * k : i * k + k], new[i * k : i * k + k]
        hits.append(compare_runs(a, b, past).p < 0.05)
    return percent(hits)


def runs(many: int) -> list[Row]:
    """Several runs a side, run-to-run standard deviation 0.7 %."""
    null = bank(14 * many, 0.007, Plant(), 51)
    plus = {d: bank(3 * many, 0.007, Plant(shift=d), 53 + i) for i, d in enumerate((0.02, 0.03))}
    rows = []
    for label, moderated, targets in (
        ("Student k=3", False, (63, 92)),
        ("moderated k=3, m=8", True, (82, 98)),
    ):
        old, fresh = null["mean"][: 3 * many], null["mean"][3 * many : 6 * many]
        past = null["mean"][6 * many :] if moderated else None
        rows.append(Row(f"{label}, false", student_rate(old, fresh, 3, past, many), 3.5, 7))
        for (d, new), least in zip(plus.items(), targets, strict=True):
            rate = student_rate(old, new["mean"], 3, past, many)
            rows.append(Row(f"{label}, +{d:.0%} mean", rate, least))
    return rows


def gate_rate(base: np.ndarray, new: np.ndarray, many: int) -> float:
    """Share of single new runs beyond the limit of 8 baseline runs."""
    return percent([prediction_limit(new[i], base[8 * i : 8 * i + 8]).beyond for i in range(many)])


def gate(many: int) -> list[Row]:
    """One new run against 8 baseline runs, run-to-run standard deviation 0.7 %."""
    many *= 2
    base = bank(8 * many, 0.007, Plant(), 61)
    null = bank(many, 0.007, Plant(), 62)
    rows = [Row("gate m=8 mean, false", gate_rate(base["mean"], null["mean"], many), 3.5, 7)]
    for i, (d, least) in enumerate(((0.02, 71), (0.03, 93), (0.05, 99))):
        new = bank(many, 0.007, Plant(shift=d), 63 + i)
        rate = gate_rate(base["mean"], new["mean"], many)
        rows.append(Row(f"gate m=8 mean, +{d:.0%}", rate, least))
    some = bank(many, 0.007, Plant(tail_per_s=0.4), 67)
    more = bank(many, 0.007, Plant(tail_per_s=0.8), 68)
    for s, least in (("p99", 79), ("overruns", 73)):
        rows += [
            Row(f"gate m=8 {s}, false", gate_rate(base[s], null[s], many), 3.5, 7.5),
            Row(f"gate m=8 {s}, 0.4 stalls/s", gate_rate(base[s], some[s], many), least),
            Row(f"gate m=8 {s}, 0.8 stalls/s", gate_rate(base[s], more[s], many), 97),
        ]
    return rows


def calls(many: int) -> list[Row]:
    """20 calls judged by mean and p99, 3 runs a side, 8 of history; runs share an effect."""
    store = bank(6000, 0.005, Plant(), 71)
    rng = np.random.default_rng(72)
    false, found = [], []
    for _ in range(many):
        common = rng.normal(0, 0.005, 14)
        ps, shifted = [], []
        for call in range(20):
            at = rng.integers(0, 6000, 14)
            for s in ("mean", "p99"):
                y = store[s][at] + common
                a, b, past = y[:3], y[3:6], y[6:]
                ps.append(compare_runs(a, b, past).p)
                by = np.log(1.05) if call < 3 else 0.0
                shifted.append(compare_runs(a, b + by, past).p)
        false.append(holm(ps).min() < 0.05)
        q = holm(shifted).reshape(20, 2)
        found.append((q[:3].min(axis=1) < 0.05).mean())
    return [
        Row("20 calls, no change: any false name (Holm)", percent(false), 0, 6),
        Row("+5 % in 3 of 20 calls: found (Holm)", percent(np.array(found)), 97),
    ]


def clock(many: int) -> list[Row]:
    """Coarse clocks."""
    seen, null_ms, null_tenth = [], [], []
    for a, b in zip(rngs(81, many), rngs(82, many), strict=True):
        old, same = record(a, T, 6000).period_ms, record(b, T, 6000).period_ms
        new = same + 0.02 * 10.35
        d = compare_recordings(np.round(old), np.round(new), ["median"], tick=1.0)
        seen.append(d["median"].p < 0.05)
        for tick, hits in ((1.0, null_ms), (0.1, null_tenth)):
            x, y = (np.round(v / tick) * tick for v in (old, same))
            hits.append(compare_recordings(x, y, ["p95"], tick=tick)["p95"].p < 0.05)
    return [
        Row("whole-ms clock, +2 %: median", percent(seen), 97),
        Row("whole-ms clock, no change: p95", percent(null_ms), 0, 7),
        Row("0.1 ms clock, no change: p95", percent(null_tenth), 0, 7),
    ]


def single(many: int) -> list[Row]:
    """One recording a side against an assumed scatter between runs of 1 %."""
    rows = []
    for rr, most in ((0.003, 1), (0.007, 1), (0.015, 9)):
        hits: dict[str, list[bool]] = {s: [] for s in FIGURES[:4]}
        for a, b in zip(rngs(85, many), rngs(86, many), strict=True):
            pair = [
                jackknife(record(g, T, 6000, effects=run_effects(g, rr)).period_ms, FIGURES[:4])
                for g in (a, b)
            ]
            for s, h in hits.items():
                h.append(usual_scatter(pair[0][s], pair[1][s]).beyond)
        rows += [
            Row(f"assumed 1 %, run sd {rr:.1%}: {s}", percent(h), 0, most) for s, h in hits.items()
        ]
    return rows


def drifts(many: int) -> list[Row]:
    """Drift test by itself."""
    rows = []
    for name in "ETHR":
        for n in (3000, 6000):
            flat = replace(KINDS[name], drift_per_min=0.0)
            p = [drift(r.period_ms, r.start_s).p for r in
                 (record(g, flat, n) for g in rngs(91, many))]  # fmt: skip
            rows.append(
                Row(f"drift, none planted, {name} {n:,}", percent(np.array(p) < 0.05), 0, 9)
            )
    # 2 % over the 62 s that 6,000 loops last
    planted = replace(T, drift_per_min=0.02 * 60 / 62)
    found = [
        drift(r.period_ms, r.start_s) for r in (record(g, planted, 6000) for g in rngs(92, many))
    ]
    rows += [
        Row("drift, 2 % over 6,000 loops, T", percent([f.p < 0.05 for f in found]), 76),
        Row("  same, at the level shared by all alarms", percent([f.found for f in found]), 0),
        Row("  same, true change within the interval",
            percent([f.low < 0.2 < f.high for f in found]), 80),
    ]  # fmt: skip
    return rows


def changes(many: int) -> list[Row]:
    """Change points by themselves."""
    rows = []

    def rate(kind: Kind, plant: Plant, seed: int, penalty: float) -> float:
        hits = []
        for g in rngs(seed, many):
            r = record(g, kind, 6000, plant=plant)
            hits.append(len(change_points(r.period_ms, r.start_s, penalty).loops) > 0)
        return percent(hits)

    for name, most in (("E", 4), ("T", 4), ("H", 6), ("R", 4)):
        flat = replace(KINDS[name], drift_per_min=0.0)
        rows.append(
            Row(
                f"change points, none, {name}",
                rate(flat, Plant(), 95, ALONE.change_penalty),
                0,
                most,
            )
        )
    rows.append(Row("change points, drift of T", rate(T, Plant(), 96, ALONE.change_penalty), 0, 4))
    step = Plant(step=0.03)
    rows += [
        Row("3 % step, T", rate(T, step, 97, ALONE.change_penalty), 97),
        Row("  same, at the shared level", rate(T, step, 97, IN_RUN.change_penalty), 0),
        Row("3 % step, H", rate(KINDS["H"], step, 98, ALONE.change_penalty), 45),
    ]
    return rows


def warmups(many: int) -> list[Row]:
    """End of the warm-up."""
    rows = []
    for name in "ETHR":
        flat = replace(KINDS[name], warm_share=0.0)
        cuts = [warm_up(r.period_ms, r.start_s).loops > 0 for r in
                (record(g, flat, 6000, cut=0) for g in rngs(101, many))]  # fmt: skip
        rows.append(Row(f"warm-up, none planted, {name}: false cut", percent(cuts), 0, 7))
        for n in (200, 400):
            cuts = [warm_up(r.period_ms, r.start_s).loops > 0 for r in
                    (record(g, flat, n, cut=0) for g in rngs(103, many))]  # fmt: skip
            rows.append(Row(f"  same, {n} loops", percent(cuts), 0, 7))
    warm = replace(T, warm_share=0.10, warm_s=2.0)
    found, bias = [], []
    for g, h in zip(rngs(102, many), rngs(102, many), strict=True):
        r = record(g, warm, 6000, cut=0)
        cold = record(h, replace(warm, warm_share=1e-12), 6000, cut=0).period_ms
        cut = warm_up(r.period_ms, r.start_s).loops
        found.append(cut > 0)
        bias.append(r.period_ms[cut:].mean() / cold[cut:].mean() - 1)
    rows += [
        Row("warm-up 10 %, 2 s, T: found", percent(found), 97),
        Row("  same: bias of the mean left", 100 * float(np.mean(bias)), -0.13, 0.13),
    ]
    return rows


def rhythm_hits(
    kind: Kind, plant: Plant, clock_: str, period: float, many: int
) -> tuple[float, float]:
    """Shares found with the right period, and by the right clock."""
    right, clocks = [], []
    for g in rngs(121, many):
        r = record(g, kind, 6000, plant=plant)
        found = rhythm(r.period_ms, r.start_s, ALONE.rhythm)
        got = found.period_s if clock_ == "time" else found.period_loops
        right.append(found.found and got is not None and abs(got / period - 1) < 0.03)
        clocks.append(found.clock == clock_)
    return percent(right), percent(clocks)


def rhythm_part(many: int) -> list[Row]:
    """Rhythm of stalls by itself."""
    rows, nulls = [], []
    for name in "ETHR":
        quiet = replace(KINDS[name], stall_ms=0.0)
        for n in (3000, 6000):
            hits = [rhythm(r.period_ms, r.start_s, ALONE.rhythm).found for r in
                    (record(g, quiet, n) for g in rngs(111, many))]  # fmt: skip
            nulls.append(percent(hits))
            rows.append(Row(f"rhythm, none planted, {name} {n:,}", nulls[-1], 0, 8))
    rows.append(Row("rhythm, none planted, average", float(np.mean(nulls)), 0, 5))
    quiet = replace(T, stall_ms=0.0)
    for label, kind, plant, clock_, period in (
        ("100 ms", T, Plant(), "time", 0.1),
        ("250 ms", replace(T, stall_every_s=0.25), Plant(), "time", 0.25),
        ("1 s, +4 ms", replace(T, stall_every_s=1.0, stall_ms=4.0), Plant(), "time", 1.0),
        ("10 loops", quiet, Plant(stall_every_loops=10), "loops", 10.0),
        ("50 loops", quiet, Plant(stall_every_loops=50), "loops", 50.0),
    ):
        right, clocks = rhythm_hits(kind, plant, clock_, period, many)
        rows.append(Row(f"stall every {label}: found, right period", right, 97))
        rows.append(Row(f"stall every {label}: right clock", clocks, 88))
    return rows


def clean_alarms(g: np.random.Generator, base_ms: float, rho: float, n: int) -> dict[str, bool]:
    """Which alarms a log with nothing but autocorrelation raises: periods and ten calls."""
    parts = {f"call{i}": clean(g, n, base_ms / 10, rho).period_ms for i in range(10)}
    own = clean(g, n, base_ms, rho)
    series = {"period": own.period_ms} | parts
    steps = change_points(own.period_ms, own.start_s)
    return {
        "rhythm": any(r.found for r in rhythms(series, own.start_s).values()),
        "drift": drift(own.period_ms, own.start_s).found,
        "change": len(steps.loops) > 0,
    }


def joint(many: int) -> list[Row]:
    """All alarms about one run together, on clean logs."""
    rows = []
    for base, n in ((2.0, 15000), (10.0, 6000), (20.0, 6000), (60.0, 2500)):
        for rho in (0.2, 0.5, 0.8):
            alarms = [
                clean_alarms(g, base, rho, n) for g in rngs(131 + int(base), max(10, many // 12))
            ]
            each = {k: percent([a[k] for a in alarms]) for k in alarms[0]}
            print(
                f"  base {base:g} ms, rho {rho}: "
                + "  ".join(f"{k} {v:.1f}" for k, v in each.items())
            )
            rows.append(Row(f"clean log {base:g} ms, rho {rho}: any alarm",
                            percent([any(a.values()) for a in alarms]), 0, 100))  # fmt: skip
    rows.append(Row("clean logs, all together", float(np.mean([r.value for r in rows])), 0, 5))
    return rows


def at_base(g: np.random.Generator, kind: Kind, n: int, base_ms: float, pace: bool) -> Recording:
    """A recording at another base; paced, its works beside the starts of its paced loops."""
    r = record(g, kind, n, base_ms)
    if not pace:
        return r
    return Recording(paced(r, 1.25 * base_ms).start_s, r.period_ms)


def bases(many: int) -> list[Row]:
    """No change and nothing planted at other loop rates, and in loops paced to a fixed rate."""
    rows = []
    flat = replace(T, stall_ms=0.0, drift_per_min=0.0, warm_share=0.0)
    for base, n, pace in ((2.0, 15000, False), (20.0, 6000, False), (60.0, 2500, False),
                          (10.0, 6000, True)):  # fmt: skip
        label = f"{base:g} ms, {n:,} loops{', paced: work' if pace else ''}"
        hits: dict[str, list[bool]] = {}
        for a, b in zip(rngs(141, many), rngs(142, many), strict=True):
            old, new = (at_base(g, T, n, base, pace).period_ms for g in (a, b))
            for s, d in compare_recordings(old, new, FIGURES).items():
                if d.p is not None:
                    hits.setdefault(s, []).append(d.p < 0.05)
            r = at_base(a, flat, n, base, pace)
            x, t = r.period_ms, r.start_s
            hits.setdefault("drift", []).append(drift(x, t, ALONE.drift).p < 0.05)
            steps = change_points(x, t, ALONE.change_penalty)
            hits.setdefault("change points", []).append(len(steps.loops) > 0)
            hits.setdefault("warm-up", []).append(warm_up(x, t).loops > 0)
            hits.setdefault("rhythm", []).append(rhythm(x, t, ALONE.rhythm).found)
        promise = {"drift": 9, "change points": 4, "warm-up": 7, "rhythm": 8, "worst1": 7,
                   "p99": 8, "p99.9": 7.5}  # fmt: skip
        rows += [Row(f"{label}: {s}", percent(h), 0, promise.get(s, 9)) for s, h in hits.items()]
    return rows


def seasons(many: int) -> list[Row]:
    """Ten runs of the same code: false accusations of any kind, and what is still seen."""
    each = {name: accused_percent(rngs(90 + k, max(many // 5, 1)), shape)
            for k, (name, shape) in enumerate(SHAPES.items())}  # fmt: skip
    print("  accused: " + "  ".join(f"{name} {v:.1f}" for name, v in each.items()))
    rows = [Row("unchanged seasons accused of anything", float(np.mean([*each.values()])), 0, 6)]
    steady = SHAPES["steady, some calls"]
    for kind, call, factor, least in (
        ("odd", None, 1.1, 75), ("odd", None, 1.2, 98), ("step", None, 1.05, 60),
        ("step", None, 1.1, 98), ("odd", 1, 1.4, 90), ("step", 1, 1.4, 98),
    ):  # fmt: skip
        seen = seen_percent(rngs(99, max(many // 10, 1)), steady, kind, factor, call)
        whose = "all calls" if call is None else "one call"
        rows.append(Row(f"steady days, {kind} {factor - 1:+.0%} in {whose}", seen, least))
    return rows


def quickest(what: Callable[[], object], times: int = 7) -> float:
    """Best time of several [ms]."""
    best = np.inf
    for _ in range(times):
        begin = time.perf_counter()
        what()
        best = min(best, time.perf_counter() - begin)
    return 1000 * best


def everything(r: Recording) -> None:
    """All that is asked about one run's periods."""
    jackknife(r.period_ms)
    warm_up(r.period_ms, r.start_s)
    drift(r.period_ms, r.start_s)
    change_points(r.period_ms, r.start_s)
    rhythm(r.period_ms, r.start_s)


def speed(_: int) -> list[Row]:
    """Times on 10,000 loops [ms]."""
    r = record(np.random.default_rng(1), T, 10_000)
    x, t = r.period_ms, r.start_s
    return [
        Row("jackknife, 6 figures [ms]", quickest(lambda: jackknife(x)), 0, 5),
        Row("rhythm [ms]", quickest(lambda: rhythm(x, t)), 0, 80),
        Row("warm-up [ms]", quickest(lambda: warm_up(x, t))),
        Row("drift [ms]", quickest(lambda: drift(x, t))),
        Row("change points [ms]", quickest(lambda: change_points(x, t))),
        Row("everything [ms]", quickest(lambda: everything(r)), 0, 150),
    ]


PARTS: dict[str, Callable[[int], list[Row]]] = {
    "pairs": pairs,
    "power": power,
    "runs": runs,
    "gate": gate,
    "calls": calls,
    "clock": clock,
    "single": single,
    "drift": drifts,
    "change": changes,
    "warmup": warmups,
    "rhythm": rhythm_part,
    "bases": bases,
    "joint": joint,
    "seasons": seasons,
    "speed": speed,
}


def main(arguments: list[str] | None = None) -> int:
    """Run the parts asked for and print their tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--replicates", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0, help="another series of chance")
    options = parser.parse_args(arguments)
    SERIES["seed"] = options.seed
    unknown = set(options.parts) - set(PARTS)
    if unknown:
        parser.error(f"no part named {', '.join(sorted(unknown))}: use {', '.join(PARTS)}")
    broken = 0
    for part in options.parts or PARTS:
        begin = time.perf_counter()
        rows = PARTS[part](options.replicates)
        print(f"{part}: {options.replicates} replicates, {time.perf_counter() - begin:.0f} s")
        for row in rows:
            broken += not row.good
            mark = "ok  " if row.good else "MISS"
            print(f"  {mark} {row.what:<58} {row.value:7.2f}   {row.low:g} .. {row.high:g}")
        sys.stdout.flush()
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
