"""Speed of the heading study: the full curve with intervals, and its cost against loops x rates.

Run as ``python -m tests.benchmarks.heading``.
"""

import time
from dataclasses import replace

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.heading import Lead, Sensor, Setup, Tolerance, study
from looptime.heading.curve import RATES_HZ, Models, StaleModel, rate_curve
from looptime.heading.instants import sampling_from_run
from looptime.heading.pattern import Sampling, blocks_of
from looptime.heading.spelling import parse_motion
from looptime.run import Run, Signals
from tests.heading.logs import robot_run

TARGET_S = 2.0


def moving_run(loops: int) -> Run:
    """About 10 ms loops with stalls and a heading that swings."""
    run = robot_run(loops)
    heading = 90 * np.sin(run.loop_columns.start_ns / 1e9)
    signals = Signals(run.loop_columns.start_ns, np.arange(loops), {"heading_deg": heading})
    return replace(run, signals=signals)


def timed(task) -> tuple[float, float]:
    """Least wall time and processor time of three goes [s]."""
    goes = []
    for _ in range(3):
        wall, processor = time.perf_counter(), time.process_time()
        task()
        goes.append((time.perf_counter() - wall, time.process_time() - processor))
    return min(g[0] for g in goes), min(g[1] for g in goes)


def whole_study() -> None:
    """Time of the whole study of three minutes at 100 Hz, by motion and set-up."""
    run = moving_run(18_000)
    print(f"whole study with curve and intervals, {len(run):,} loops, {run.duration_s:.0f} s")
    print(f"{'motion':<22}{'set-up':<28}{'wall s':>8}{'cpu s':>8}   target {TARGET_S} s")
    cases = [
        ("turn:180,180,720", "", Setup()),
        ("steady:180", "", Setup()),
        ("weave:20,1.5", "", Setup()),
        ("recorded", "", Setup()),
        ("turn:180,180,720", "measured lead", Setup(lead=Lead("measured"))),
        ("turn:180,180,720", "sensor of 20 ms", Setup(sensor=Sensor(update_ms=20))),
    ]
    for motion, words, setup in cases:
        wall, processor = timed(
            lambda m=motion, s=setup: study(run, motion=m, setup=s, tolerance=Tolerance(2.0, 30.0))
        )
        verdict = "ok" if wall <= TARGET_S else "over"
        print(f"{motion:<22}{words:<28}{wall:>8.2f}{processor:>8.2f}   {verdict}")


def cost_by_size() -> None:
    """Time of the curve against loops and rates."""
    print("\ncurve alone, turn:180,180,720")
    print(f"{'loops':>8}{'rates':>7}{'wall s':>9}{'cpu s':>8}{'ns per loop x rate':>20}")
    models = Models(parse_motion("turn:180,180,720"))
    for loops, step in ((4500, 1), (9000, 1), (18_000, 1), (36_000, 1), (18_000, 2), (18_000, 4)):
        base = sampling_from_run(moving_run(loops))
        rates = RATES_HZ[::step]
        wall, processor = timed(lambda b=base, r=rates: rate_curve(models, b, rates_hz=r))
        each = processor / (loops * len(rates)) * 1e9
        print(f"{loops:>8}{len(rates):>7}{wall:>9.2f}{processor:>8.2f}{each:>20.0f}")


def long_log() -> None:
    """Time until a long log is answered from a sample, and from all of it."""
    run = moving_run(200_000)
    print(f"\nlong log, {len(run):,} loops, turn:180,180,720")
    for words, sample in (("sample of 20,000 loops", 20_000), ("every loop", None)):
        begin = time.perf_counter()
        study(run, motion="turn:180,180,720", sample_loops=sample)
        print(f"{words:<24}{time.perf_counter() - begin:>8.2f} s")


def _correlated(n: int, seed: int) -> Sampling:
    rng = np.random.default_rng(seed)
    noise, level = rng.standard_normal(n), np.zeros(n)
    for k in range(1, n):
        level[k] = 0.5 * level[k - 1] + noise[k] * np.sqrt(0.75)
    hold = 0.01 * np.exp(0.06 * level + 0.03 * rng.standard_normal(n))
    hold += 0.02 * (rng.random(n) < 0.01)
    use = np.concatenate([[0.0], np.cumsum(hold)])
    taken = use - 0.4 * np.append(hold[0], hold)
    return Sampling(taken, taken, use, taken, blocks_of(n))


def coverage(logs: int = 100) -> None:
    """Share of logs whose 95 % interval holds the figure of a log of 200,000 loops."""
    print(f"\nintervals of 95 %: share that hold the truth, {logs} logs of 6,000 correlated loops")
    print(f"{'motion':<22}{'rate Hz':>8}{'mean':>8}{'rms':>8}{'p95':>8}{'integrated':>12}")
    for text in ("steady:180", "turn:180,180,720"):
        models = Models(parse_motion(text))
        stale, rates = StaleModel(models), (40.0, 300.0)

        def figures(log: Sampling, models=models, stale=stale, rates=rates) -> list[list[Figure]]:
            points = rate_curve(models, log, rates_hz=rates, patterns=("log shape",), stale=stale)
            return [[p.stale.mean, p.stale.rms, p.stale.p95, p.integrated_rms] for p in points]

        truth = figures(_correlated(200_000, 999))
        held = np.zeros((2, 4))
        for seed in range(logs):
            for i, row in enumerate(figures(_correlated(6000, seed))):
                for j, f in enumerate(row):
                    held[i, j] += (f.low or 0.0) <= (truth[i][j].value or 0.0) <= (f.high or 0.0)
        for rate, row in zip(rates, held / logs, strict=True):
            last = "exact 0" if text.startswith("steady") else f"{row[3]:.2f}"
            print(f"{text:<22}{rate:>8.0f}{row[0]:>8.2f}{row[1]:>8.2f}{row[2]:>8.2f}{last:>12}")


if __name__ == "__main__":
    whole_study()
    cost_by_size()
    long_log()
    coverage()
