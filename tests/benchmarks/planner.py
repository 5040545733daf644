"""Does the planner keep its promises, and how fast: ``python -m tests.benchmarks.planner``.

Three tables: the recorded pairs of the sample logs, one by one; pairs of a made-up robot that is
simulated apart from the planner (coverage of the 90 % intervals); and times. ``--pairs N`` sets
the number of generated pairs, ``--only recorded|generated|speed`` picks a table.
"""

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

import looptime
from looptime.planner import parse_all, predict, prepare_run, suggest
from looptime.planner.answer.predict import Prediction
from looptime.planner.play.draft import Setting, known
from looptime.planner.play.replay import play
from looptime.project import Bus, Project
from looptime.run import CallColumns, LoopColumns, Run
from looptime.schema import CallName
from tests.planner.robot import Robot, record

LOGS = Path(__file__).resolve().parents[2] / "sample_logs"
STATISTICS = ("mean", "p50", "p99")

#: before, after, changes; a name in braces is filled in from the recording after.
RECORDED = (
    ("single_reads", "batched_reads", ("batch drive.*.read",)),
    ("single_reads", "telemetry_rare", ("every telemetry.write ms=500",)),
    ("single_reads", "encoders_every_third", ("every drive.*.*.read loops=3 together",)),
    ("single_reads", "writes_on_change", ("on-change drive.*.write share={share}",)),
    ("batched_reads", "paced_50hz", ("pace hz=50 late=skip",)),
    ("batched_reads", "paced_50hz_catch_up", ("pace hz=50 late=catch-up",)),
    ("single_reads", "gyro_thread_same_bus", ("thread gyro.read",)),
    ("single_reads", "gyro_thread_same_bus_rest", ("thread gyro.read rest-ms=8",)),
    ("single_reads", "gyro_thread_own_bus", ("move gyro.read bus=aux", "thread gyro.read")),
    ("single_reads", "gyro_thread_same_bus_barging", ("thread gyro.read",)),
)


def read(name: str, project: Project) -> Run:
    """One sample log, without its first three seconds."""
    run = looptime.read(LOGS / f"{name}.csv.gz", project=project)
    run = run[0] if isinstance(run, list | tuple) else run
    start = run.loop_columns.start_ns
    return run.select(start - start[0] > 3e9)


def figures(run: Run) -> dict[str, float]:
    """Mean, median and p99 of the period [ms]."""
    period = run.loop_columns.period_ns / 1e6
    found = np.quantile(period, [0.5, 0.99], method="inverted_cdf")
    return {"mean": float(period.mean()), "p50": float(found[0]), "p99": float(found[1])}


def share_left_out(before: Run, after: Run) -> float:
    """Share of the drive's writes that fell away: what a team counts for itself."""

    def per_loop(run: Run) -> float:
        mine = [c.name.startswith("drive.") and c.kind == "actuator write" for c in run.names]
        return float(np.array(mine)[run.call_columns.name].sum()) / len(run)

    return 1 - per_loop(after) / per_loop(before)


def scatter(project: Project) -> dict[str, float]:
    """Run-to-run standard deviation of the unchanged program [%], from the season's recordings."""
    names = sorted(p.name[:-7] for p in (LOGS / "season_runs").glob("run_*.csv.gz"))
    values = [figures(read(f"season_runs/{name}", project)) for name in names]
    if len(values) < 3:
        return dict.fromkeys(STATISTICS, 0.0)
    return {k: 100 * float(np.std(np.log([v[k] for v in values]), ddof=1)) for k in STATISTICS}


def recorded(project: Project) -> None:
    """Every recorded pair: predicted against actual."""
    spread = scatter(project)
    shown = ", ".join(f"{k} {v:.2f} %" for k, v in spread.items())
    print(f"A/A: the unchanged program from run to run (sd): {shown}\n")
    head = f"{'plan':46}{'figure':>7}{'before':>9}{'predicted':>10}{'low':>9}{'high':>9}"
    print(head + f"{'actual':>9}{'off':>8}  inside  within")
    for before, after, plan in RECORDED:
        was, came = read(before, project), read(after, project)
        changes = [text.format(share=f"{share_left_out(was, came):.3f}") for text in plan
                   ] if "{" in plan[0] else list(plan)  # fmt: skip
        truth = LOGS / f"{after}.truth.json"
        lock = json.loads(truth.read_text(encoding="utf-8"))["settings"]["lock"]
        buses = {name: replace(bus, lock=lock) for name, bus in project.buses.items()}
        made = predict(was, changes, buses=buses, keep_warmup=True)
        print_pair(" + ".join(changes), was, came, made, spread)


def print_pair(plan: str, was: Run, came: Run, made: Prediction, spread: dict[str, float]) -> None:
    """Three lines: mean, p50, p99."""
    before, actual = figures(was), figures(came)
    thread = "thread" in plan
    limit = {"mean": 15 if thread else 2, "p50": 15 if thread else 2, "p99": 12}
    for k in STATISTICS:
        at = made.predicted.period_ms[k]
        assert at.value is not None
        assert at.low is not None
        assert at.high is not None
        off = 100 * (at.value / actual[k] - 1)
        inside = "yes" if at.low <= actual[k] <= at.high else "NO"
        within = "yes" if abs(off) <= limit[k] + 2 * spread[k] else "NO"
        name = plan[:45] if k == "mean" else ""
        print(
            f"{name:46}{k:>7}{before[k]:9.2f}{at.value:10.2f}{at.low:9.2f}{at.high:9.2f}"
            f"{actual[k]:9.2f}{off:+7.1f}%  {inside:6}  {within}"
        )
    right = {"faster": actual["mean"] < before["mean"], "slower": actual["mean"] > before["mean"]}
    promised = made.verdict
    print(f"{'':46}promised: {promised}; {'right' if right.get(promised, True) else 'WRONG'}\n")


#: kinds of generated pairs: the change, and what it makes of the robot.
def kinds(robot: Robot, rng: np.random.Generator) -> tuple[str, list[str], Robot]:
    """One change, chosen by chance."""
    which = rng.integers(9)
    every, share = int(rng.integers(2, 6)), float(rng.uniform(0.3, 0.8))
    rest = float(rng.choice([0.0, 1.0, 4.0, 10.0]))
    slow = float(rng.choice([250.0, 500.0]))
    if which == 0:
        return "batch", ["batch encoder.*.read as=encoders.read"], replace(robot, batched=True)
    if which == 1:
        text = f"every encoder.*.read loops={every} together"
        return "every loops", [text], replace(robot, encoders_every=every)
    if which == 2:
        text = f"every telemetry.send ms={slow:g}"
        return "every ms", [text], replace(robot, telemetry_ms=slow)
    if which == 3:
        text = f"on-change wheel.*.write share={share:.3f}"
        return "on-change", [text], replace(robot, write_share=1 - share)
    if which == 4:
        hz = float(rng.choice([60.0, 80.0]))
        return "pace", [f"pace hz={hz:g} late=skip"], replace(robot, pace_ms=1e3 / hz)
    if which == 5:
        text = f"thread gyro.read rest-ms={rest:g}"
        return "thread, fair", [text], replace(robot, thread=True, rest=rest)
    if which == 6:
        text = f"thread gyro.read rest-ms={rest:g}"
        after = replace(robot, thread=True, rest=rest, lock="barging")
        return "thread, barging", [text], after
    if which == 7:
        after = replace(robot, thread=True, gyro_bus="aux")
        return "thread, own bus", ["move gyro.read bus=aux", "thread gyro.read"], after
    after = replace(robot, batched=True, telemetry_ms=slow)
    text = f"every telemetry.send ms={slow:g}"
    return "two at once", ["batch encoder.*.read as=encoders.read", text], after


def generated(pairs: int) -> None:
    """Coverage of the 90 % intervals over pairs of the made-up robot."""
    rng = np.random.default_rng(11)
    held: dict[str, list[list[bool]]] = {}
    off: dict[str, list[list[float]]] = {}
    wrong = 0
    for i in range(pairs):
        robot = Robot(
            base=rng.uniform(0.3, 0.9), per_item=rng.uniform(0.05, 0.3),
            compute=rng.uniform(1, 5), correlation=rng.uniform(0, 0.97),
            telemetry_cost=rng.uniform(1, 6), pause_per_s=rng.choice([0.0, 0.3, 1.0]),
        )  # fmt: skip
        name, changes, after = kinds(robot, rng)
        lock = "unknown" if "thread" in name else "fair"
        stated = i % 2 == 0 or "batch" not in changes[0]
        bus = Bus(robot.base, robot.per_item, lock) if stated else Bus(lock=lock)
        was, came = record(robot, 2 * i), record(after, 2 * i + 1)
        made = predict(was, changes, buses={"port": bus}, keep_warmup=True)
        actual, before = figures(came), figures(was)
        at = [made.predicted.period_ms[k] for k in STATISTICS]
        held.setdefault(name, []).append(
            [bool(f.low <= actual[k] <= f.high) for k, f in zip(STATISTICS, at, strict=True)]
        )
        off.setdefault(name, []).append(
            [100 * (f.value / actual[k] - 1) for k, f in zip(STATISTICS, at, strict=True)]
        )
        promised = {"faster": -1, "slower": 1}.get(made.verdict, 0)
        wrong += bool(promised * (actual["mean"] - before["mean"]) < 0)
    head = f"{'change':18}{'pairs':>6}" + "".join(f"{k + ' held':>11}" for k in STATISTICS)
    print(head + "".join(f"{k + ' off':>18}" for k in STATISTICS))
    for name in sorted(held):
        line(name, held[name], off[name])
    line("all", [row for rows in held.values() for row in rows],
         [row for rows in off.values() for row in rows])  # fmt: skip
    print(f"direction promised wrongly: {wrong} of {pairs}")


def line(name: str, held: list[list[bool]], off: list[list[float]]) -> None:
    """One row: share held, and the median and worst error [%]."""
    shares = np.mean(held, axis=0)
    errors = np.abs(np.array(off))
    middle, worst = np.median(errors, axis=0), errors.max(axis=0)
    print(
        f"{name:18}{len(held):6d}"
        + "".join(f"{100 * s:10.1f}%" for s in shares)
        + "".join(f"{m:10.2f} / {w:4.1f}%" for m, w in zip(middle, worst, strict=True))
    )


def flat(n: int, k: int = 15) -> Run:
    """A run of `n` loops with `k` calls each."""
    rng = np.random.default_rng(0)
    took = (rng.lognormal(0, 0.1, (n, k)) * 500_000).astype(np.int64)
    parts = np.empty((n, 2 * k + 1), np.int64)
    parts[:, 0::2] = rng.integers(1000, 5000, (n, k + 1))
    parts[:, 1::2] = took
    period = parts.sum(axis=1)
    end = np.cumsum(parts.ravel()).reshape(n, -1)
    start = (end - parts)[:, 1::2].ravel()
    calls = CallColumns(
        np.repeat(np.arange(n, dtype=np.int32), k), np.zeros(n * k, np.int16),
        np.tile(np.arange(k, dtype=np.int32), n), start, took.ravel(), took.ravel(),
        np.zeros(n * k, np.int16),
    )  # fmt: skip
    names = tuple(CallName(f"c{i}.read", kind="sensor read", bus="port") for i in range(k))
    return Run(LoopColumns(np.arange(n), end[:, -1] - period, period), calls, names, ("main",), 0)


def timed(what: str, limit: float | None, work, times: int = 3) -> None:
    """Print the median time of a piece of work: by the clock, and of the processor.

    The processor's time is judged: this machine may have other things to do.
    """
    spent, clock = [], []
    for _ in range(times):
        start, begun = time.process_time(), time.perf_counter()
        work()
        spent.append(time.process_time() - start)
        clock.append(time.perf_counter() - begun)
    middle = sorted(spent)[len(spent) // 2]
    allowed = (
        "" if limit is None else f"  at most {limit:g} s: {'yes' if middle <= limit else 'NO'}"
    )
    print(f"{what:62}{sorted(clock)[len(clock) // 2]:8.3f} s, cpu {middle:6.3f} s{allowed}")


def speed() -> None:
    """Times on runs of 15 calls a loop."""
    big, small = flat(100_000), flat(10_000)
    ready, ready_small = known(big), known(small)
    timed("prepare a 100,000-loop run, once for all plans", None, lambda: known(big))
    for text in (
        "batch c[0-3].read", "drop c3.read", "scale c2.read by=0.5", "every c[14].read loops=4",
        "on-change c5.read share=0.7", "cap c1.read ms=0.5",
    ):  # fmt: skip
        plan = parse_all([text])
        timed(f"replay of 100,000 loops: {text}", 0.3, lambda plan=plan: play(ready, plan))
    for text in ("later c1.read before=c9.*", "every c3.read ms=50"):
        plan = parse_all([text])
        timed(f"replay of 100,000 loops: {text}", None, lambda plan=plan: play(ready, plan))
    for text in ("thread c0.read", "thread c0.read rest-ms=5"):
        plan = parse_all([text])
        for name, at, limit in (("10,000", ready_small, 1), ("100,000", ready, 10)):
            for lock in ("fair", "middle"):
                timed(
                    f"threads, {name} loops, lock {lock}: {text}", limit,
                    lambda at=at, plan=plan, lock=lock: play(at, plan, Setting(lock=lock)),
                )  # fmt: skip
    timed("search for plans, 10,000 loops", 10, lambda: suggest(small), 1)
    timed("a whole prediction, 10,000 loops, one batch", None,
          lambda: predict(small, ["batch c[0-3].read"]), 1)  # fmt: skip
    ready = prepare_run(big, sample_loops=5_000, keep_warmup=True)
    timed("the same from a prepared sample of 5,000 loops", None,
          lambda: predict(ready, ["batch c[0-3].read"]), 3)  # fmt: skip
    timed("the same from a sample of 100,000 loops, not prepared", None,
          lambda: predict(big, ["batch c[0-3].read"], sample_loops=10_000), 1)  # fmt: skip


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=216)
    parser.add_argument("--only", choices=("recorded", "generated", "speed"))
    options = parser.parse_args()
    project = Project.load(LOGS / "looptime.toml")
    if options.only in (None, "recorded"):
        recorded(project)
    if options.only in (None, "generated"):
        generated(options.pairs)
    if options.only in (None, "speed"):
        speed()


if __name__ == "__main__":
    main()
