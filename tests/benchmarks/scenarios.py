"""Planted causes and clean logs: is the cause named first, and is a clean log left alone?

Run ``python -m tests.benchmarks.scenarios`` for the table; ``--seeds`` and ``--clean`` set how
often. The generator's loops are autocorrelated: white noise of 3 % and a first-order
autoregression of 6 %.
"""

import argparse
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from looptime.findings import summarise
from looptime.run import Run
from tests.build_run import make_flat_run, make_run

__all__ = ["ALARMS", "SCENARIOS", "Scenario", "clean_run", "hit"]

#: Findings that a clean log must not raise, together in at most 6 % of logs.
ALARMS = (
    "recurring_stall", "pauses", "drift", "change_point", "timeout", "adapter_tick", "device_wait",
)  # fmt: skip

_KINDS = {
    "wall.read": "sensor read",
    "mast.read": "sensor read",
    "odometry.update": "compute",
    "path.update": "compute",
    "wheels.write": "actuator write",
    "gripper.write": "actuator write",
}
_SHARES = dict(zip(_KINDS, (0.13, 0.12, 0.2, 0.22, 0.13, 0.1), strict=True))


@dataclass(frozen=True)
class Scenario:
    """A planted cause: how to make the log, and which finding must come first."""

    name: str
    make: Callable[[np.random.Generator], Run]
    codes: tuple[str, ...]
    call: str | None = None
    words: str = ""


def level(rng: np.random.Generator, n: int, rho: float = 0.5) -> np.ndarray:
    """Factor on every loop: exp of white noise (3 %) and a first-order autoregression (6 %)."""
    noise = rng.normal(0, 0.06 * np.sqrt(1 - rho**2), n)
    slow = np.fromiter(accumulate(noise, lambda last, new: rho * last + new), np.float64, n)
    return np.exp(slow + rng.normal(0, 0.03, n))


def parts(rng: np.random.Generator, base_ms: float, n: int, rho: float = 0.5) -> dict:
    """Calls of a healthy loop [ns], and ``rest``, what no call covers."""
    factor = level(rng, n, rho)
    made = {
        name: share * base_ms * 1e6 * factor * np.exp(rng.normal(0, 0.05, n))
        for name, share in _SHARES.items()
    }
    made["rest"] = 0.1 * base_ms * 1e6 * factor * np.exp(rng.normal(0, 0.05, n))
    return made


def build(made: dict, names: dict | None = None, stamps: bool = False, tick_ns: int = 1) -> Run:
    """A run from the parts of its loops."""
    made = {k: np.asarray(v).astype(np.int64) for k, v in made.items()}
    period = sum(np.maximum(v, 0) for v in made.values())
    made.pop("rest")
    if stamps:
        return make_flat_run(period, tick_ns=tick_ns, source="round.csv")
    return make_flat_run(period, made, {**_KINDS, **(names or {})}, source="round.csv")


def clean_run(rng: np.random.Generator, base_ms: float) -> Run:
    """A log with autocorrelation and nothing else; every third one holds bare time stamps."""
    n = {2: 30_000, 10: 6_000, 20: 6_000, 60: 2_500}[round(base_ms)]
    rho = rng.choice([0.2, 0.5, 0.8])
    return build(parts(rng, base_ms, n, rho), stamps=bool(rng.random() < 1 / 3))


def _starts(made: dict) -> np.ndarray:
    period = sum(np.maximum(v, 0) for v in made.values())
    return np.cumsum(period) - period


def _some(rng: np.random.Generator, n: int, per_loop: float) -> np.ndarray:
    return np.flatnonzero(rng.random(n) < per_loop)


def culprit(call: str, base: float, per_loop: float = 0.01, times: float = 1.0) -> Callable:
    """One call that now and then takes much longer, at no regular interval."""

    def make(rng: np.random.Generator) -> Run:
        made = parts(rng, base, 6000)
        at = _some(rng, 6000, per_loop)
        made[call][at] += times * base * 1e6 * np.exp(rng.normal(0, 0.4, len(at)))
        return build(made)

    return make


def every_loops(
    k: int, base: float, stamps: bool = False, ms: float = 4.0, call: str = "telemetry.send"
) -> Callable:
    """A call that is made every k loops."""

    def make(rng: np.random.Generator) -> Run:
        made = parts(rng, base, 6000)
        sent = np.full(6000, -1.0)
        at = np.arange(int(rng.integers(k)), 6000, k)
        sent[at] = ms * 1e6 * np.exp(rng.normal(0, 0.15, len(at)))
        made[call] = sent
        return build(made, {call: "telemetry"}, stamps)

    return make


def every_seconds(
    period_s: float, base: float, ms: float, where: str = "telemetry", stamps: bool = False
) -> Callable:
    """A stall by the clock on the wall: in telemetry, or in whatever call happens to run."""

    def make(rng: np.random.Generator) -> Run:
        made = parts(rng, base, 6000)
        names = list(_KINDS)
        made["telemetry.send"] = np.full(6000, -1.0)
        due = rng.uniform(0, period_s) * 1e9
        now = 0.0
        total = sum(v for k, v in made.items() if k != "telemetry.send")
        weights = np.array(list(_SHARES.values())) / sum(_SHARES.values())
        for k in range(6000):
            now += total[k]
            if now >= due:
                size = ms * 1e6 * np.exp(rng.normal(0, 0.15))
                if where == "telemetry":
                    made["telemetry.send"][k] = size
                else:
                    made[names[rng.choice(6, p=weights)]][k] += size
                now += size
                due += period_s * 1e9
        return build(made, {"telemetry.send": "telemetry"}, stamps)

    return make


def pauses(rng: np.random.Generator) -> Run:
    """Pauses of the whole process at irregular intervals, in whatever call happens to run."""
    made = parts(rng, 10, 12_000)
    names, weights = list(_KINDS), np.array(list(_SHARES.values()))
    at = np.cumsum(rng.gamma(8, 4.0 / 8, 40) / 0.01).astype(int)
    for k in at[at < 12_000]:
        call = names[rng.choice(6, p=weights / weights.sum())]
        made[call][k] += 9e6 * np.exp(rng.normal(0, 0.2))
    return build(made)


def freezes(rng: np.random.Generator) -> Run:
    """Now and then everything takes twice as long at once."""
    made = parts(rng, 10, 6000)
    at = _some(rng, 6000, 0.004)
    factor = 2 + rng.random(len(at))
    for name in made:
        made[name][at] *= factor
    return build(made)


def drifting(call: str, share: float, stamps: bool = False, base: float = 10) -> Callable:
    """One call that gets slower along the run."""

    def make(rng: np.random.Generator) -> Run:
        made = parts(rng, base, 6000)
        made[call] += np.linspace(0, share * base * 1e6, 6000)
        return build(made, stamps=stamps)

    return make


def stepping(call: str, share: float, stamps: bool = False, base: float = 10) -> Callable:
    """One call that takes longer from some loop on."""

    def make(rng: np.random.Generator) -> Run:
        made = parts(rng, base, 6000)
        made[call][int(rng.integers(2000, 4000)) :] += share * base * 1e6
        return build(made, stamps=stamps)

    return make


def warming(share: float, tau_s: float, stamps: bool = False, base: float = 10) -> Callable:
    """Loops that start slow and settle."""

    def make(rng: np.random.Generator) -> Run:
        made = parts(rng, base, 6000)
        t = np.arange(6000) * base / 1e3
        made = {name: values * (1 + share * np.exp(-t / tau_s)) for name, values in made.items()}
        return build(made, stamps=stamps)

    return make


def paced(mode: str, stamps: bool = False) -> Callable:
    """A loop of 20 ms and about 15 ms of uneven work, so that some loops are late."""

    def make(rng: np.random.Generator) -> Run:
        n = 4000
        made = parts(rng, 14, n)
        uneven = np.exp(rng.normal(0, 0.2, n))
        made = {name: values * uneven for name, values in made.items()}
        work = sum(made.values())
        wait = np.zeros(n)
        due, now = 20e6, 0.0
        jitter = np.abs(rng.normal(0, 5e4, n))
        for k in range(n):
            now += work[k]
            if mode == "sleep":
                wait[k] = 20e6 + jitter[k]
            else:
                while mode == "skips" and due <= now:
                    due += 20e6
                wait[k] = max(due - now, 0) + (jitter[k] if due > now else 0)
            now += wait[k]
            due += 20e6
        made["pace"] = np.maximum(wait, 1.0)
        return build(made, {"pace": "pacing"}, stamps)

    return make


def blocking(share: float, base: float) -> Callable:
    """A gyro read that takes a large part of every loop."""

    def make(rng: np.random.Generator) -> Run:
        made = parts(rng, base * (1 - share), 6000)
        made["gyro.read"] = share * base * 1e6 * np.exp(rng.normal(0, 0.04, 6000))
        return build(made, {"gyro.read": {"kind": "sensor read", "bus": "port"}})

    return make


def timeout(rng: np.random.Generator) -> Run:
    """A read of 1 ms that now and then returns after its driver's timeout of 250 ms."""
    made = parts(rng, 10, 6000)
    made["range.read"] = 1e6 * np.exp(rng.normal(0, 0.05, 6000))
    at = _some(rng, 6000, 0.002)
    made["range.read"][at] = 250.4e6 + rng.normal(0, 2e5, len(at))
    return build(made, {"range.read": "sensor read"})


def adapter(rng: np.random.Generator) -> Run:
    """A register read that takes one tick of a serial adapter."""
    made = parts(rng, 40, 2500)
    made["arm.read"] = rng.normal(15.7e6, 2e5, 2500)
    return build(made, {"arm.read": "sensor read"})


def device_wait(rng: np.random.Generator) -> Run:
    """A read that waits for the next measurement of a device of 33 ms."""
    made = parts(rng, 40, 3000)
    made["rest"] += rng.uniform(0, 40e6, 3000)  # after the read
    before, waited, now = sum(made.values()) - made["rest"], np.zeros(3000), 0.0
    for k in range(3000):
        waited[k] = 5e5 + 33e6 - (now + before[k]) % 33e6
        now += before[k] + waited[k] + made["rest"][k]
    made["range.read"] = waited
    return build(made, {"range.read": "sensor read"})


def repeated(rng: np.random.Generator) -> Run:
    """A batched read that three subsystems each make for themselves."""
    made = parts(rng, 10, 1500)
    made = {k: (v / 1e6) for k, v in made.items()}
    names = {**_KINDS, "hub.batch.read": {"kind": "sensor read", "items": 8, "bus": "port"}}

    def calls(k: int) -> list:
        rows, at = [], 0.0
        for j, (name, values) in enumerate(made.items()):
            if name == "rest":
                continue
            if j % 2 == 0:
                rows.append(("hub.batch.read", at, 1.2))
                at += 1.2
            rows.append((name, at, values[k]))
            at += values[k]
        return rows

    return make_run(sum(made.values()) + 3.6, calls, names, source="round.csv")


def batchable(rng: np.random.Generator) -> Run:
    """Eight encoders of one bus, read one by one."""
    made = parts(rng, 8, 3000)
    names = {}
    for wheel in ("fl", "fr", "rl", "rr"):
        for what in ("turn", "drive"):
            name = f"wheel.{wheel}.{what}.read"
            made[name] = 0.9e6 * np.exp(rng.normal(0, 0.05, 3000))
            names[name] = {"kind": "sensor read", "bus": "aux"}
    return build(made, names)


def overlapping(rng: np.random.Generator) -> Run:
    """A gyro thread that meets the loop's encoder read on one bus."""
    n = 1500
    made = {k: v / 1e6 for k, v in parts(rng, 10, n).items()}
    phase = rng.random(n)
    extra = np.where(phase < 0.3, rng.uniform(1.0, 2.5, n), 0.0)
    names = {
        **_KINDS,
        "encoder.read": {"kind": "sensor read", "bus": "port"},
        "gyro.read": {"kind": "sensor read", "bus": "port"},
    }
    period = sum(made.values()) + 1.0 + extra

    def calls(k: int) -> list:
        rows, at = [], 0.0
        for name, values in made.items():
            if name != "rest":
                rows.append((name, at, values[k]))
                at += values[k]
        rows.append(("encoder.read", at, 1.0 + extra[k]))
        if extra[k]:
            rows.append(("gyro.read", at - 0.1, extra[k] + 0.1, "gyro"))
        else:
            rows.append(("gyro.read", 0.5, 2.5, "gyro"))
        return rows

    return make_run(period, calls, names, source="round.csv")


def stale(rng: np.random.Generator) -> Run:
    """A reading that another thread takes every 35 ms, in a loop of 10 ms."""
    n = 3000
    made = {k: v / 1e6 for k, v in parts(rng, 10, n).items()}
    period = sum(made.values())
    start = np.cumsum(period) - period
    total = float(period.sum())
    ready = np.arange(5.0, total, 35.0) + rng.uniform(0, 2, len(np.arange(5.0, total, 35.0)))
    marks = [(t, "gyro.read", "published", "gyro") for t in ready]
    marks += [(t + 1.0, "gyro.read", "used", "main") for t in start[1:]]

    def calls(k: int) -> list:
        rows, at = [], 0.0
        for name, values in made.items():
            if name != "rest":
                rows.append((name, at, values[k]))
                at += values[k]
        return rows

    names = {**_KINDS, "gyro.read": "sensor read"}
    return make_run(period, calls, names, marks=marks, source="round.csv")


def held_signal(rng: np.random.Generator) -> Run:
    """A heading that is logged in every loop but new in one of seven."""
    n = 3000
    period = sum(parts(rng, 10, n).values()) / 1e6
    heading = np.cumsum(rng.normal(0, 1, n))[(np.arange(n) // 7) * 7]
    return make_run(period, signals={"heading_deg": heading}, source="round.csv")


def first_call(rng: np.random.Generator) -> Run:
    """A call that takes two seconds the first time."""
    made = parts(rng, 10, 6000)
    made["camera.update"] = 0.8e6 * np.exp(rng.normal(0, 0.05, 6000))
    made["camera.update"][0] = 2e9
    return build(made, {"camera.update": "compute"})


def uncovered_stall(rng: np.random.Generator) -> Run:
    """Stalls in code that nobody times."""
    made = parts(rng, 10, 6000)
    at = _some(rng, 6000, 0.01)
    made["rest"][at] += 8e6 * np.exp(rng.normal(0, 0.3, len(at)))
    return build(made)


SCENARIOS = (
    Scenario("stalls of a read, 2 ms", culprit("wall.read", 2), ("slow_culprit",), "wall.read"),
    Scenario("stalls of a read, 10 ms", culprit("mast.read", 10), ("slow_culprit",), "mast.read"),
    Scenario("stalls of a write, 20 ms", culprit("wheels.write", 20), ("slow_culprit",),
             "wheels.write"),
    Scenario("stalls of a computation, 60 ms", culprit("path.update", 60, 0.02, 0.7),
             ("slow_culprit",), "path.update"),
    Scenario("stalls in untimed code", uncovered_stall, ("slow_culprit",), None, "outside"),
    Scenario("telemetry every 50 loops", every_loops(50, 10), ("recurring_stall",),
             "telemetry.send", "every 50 loops"),
    Scenario("telemetry every 10 loops", every_loops(10, 20), ("recurring_stall",),
             "telemetry.send", "every 10 loops"),
    Scenario("telemetry every 25 loops, 2 ms", every_loops(25, 2, ms=1.5), ("recurring_stall",),
             "telemetry.send", "every 25 loops"),
    Scenario("telemetry every 100 ms", every_seconds(0.1, 10, 4), ("recurring_stall",),
             "telemetry.send", "every 100 ms"),
    Scenario("telemetry every 250 ms", every_seconds(0.25, 10, 4), ("recurring_stall",),
             "telemetry.send", "every 250 ms"),
    Scenario("telemetry every second", every_seconds(1.0, 10, 6), ("recurring_stall",),
             "telemetry.send", "every 1 s"),
    Scenario("collector every 2 s", every_seconds(2.0, 10, 9, "any"), ("recurring_stall",), None,
             "every 2 s"),
    Scenario("collector every 500 ms", every_seconds(0.5, 20, 15, "any"), ("recurring_stall",),
             None, "every 500 ms"),
    Scenario("collector, irregular", pauses, ("pauses",)),
    Scenario("everything at once", freezes, ("everything_at_once",)),
    Scenario("stamps, every 50 loops", every_loops(50, 10, True), ("recurring_stall",), None,
             "every 50 loops"),
    Scenario("stamps, every second", every_seconds(1.0, 10, 6, stamps=True),
             ("recurring_stall",), None, "every 1 s"),
    Scenario("drift of a call", drifting("path.update", 0.06), ("drift",), "path.update"),
    Scenario("drift, stamps", drifting("path.update", 0.05, True, 20), ("drift",)),
    Scenario("step of a call", stepping("path.update", 0.06), ("change_point",), "path.update"),
    Scenario("step, stamps", stepping("path.update", 0.05, True, 20), ("change_point",)),
    Scenario("warm-up", warming(0.2, 2.0), ("warm_up",)),
    Scenario("warm-up, stamps", warming(0.1, 2.0, True), ("warm_up",)),
    Scenario("fixed rate that skips", paced("skips"), ("pacing_skips",)),
    Scenario("fixed rate that catches up", paced("catches up"), ("pacing_catches_up",)),
    Scenario("sleep after work", paced("sleep"), ("pacing_sleep",)),
    Scenario("skips, stamps", paced("skips", True), ("pacing_skips",)),
    Scenario("catches up, stamps", paced("catches up", True), ("pacing_catches_up",)),
    Scenario("blocking read, 40 %", blocking(0.4, 10), ("blocking_call",), "gyro.read"),
    Scenario("blocking read, 25 %", blocking(0.25, 20), ("blocking_call",), "gyro.read"),
    Scenario("driver's timeout", timeout, ("timeout",), "range.read"),
    Scenario("adapter's tick", adapter, ("adapter_tick",), "arm.read"),
    Scenario("waiting for a device", device_wait, ("device_wait",), "range.read"),
    Scenario("batched read thrice a loop", repeated, ("repeated_batch",), "hub.batch.read"),
    Scenario("single reads of one bus", batchable, ("batch_reads",), "wheel.fl.turn.read"),
    Scenario("two threads on one bus", overlapping, ("thread_wait",), "encoder.read"),
    Scenario("stale reading", stale, ("stale_reading",), "gyro.read"),
    Scenario("held heading", held_signal, ("stale_signal",)),
    Scenario("slow first call", first_call, ("first_call",), "camera.update"),
)  # fmt: skip


def hit(scenario: Scenario, seed: int) -> tuple[bool, str]:
    """Whether the top finding names the planted cause, and what it said."""
    findings = summarise(scenario.make(np.random.default_rng(seed))).findings
    top = findings[0]
    right = top.code in scenario.codes
    if scenario.call is not None:
        right = right and scenario.call in top.evidence.calls
    if scenario.words:
        right = right and scenario.words in top.text
    others = ", ".join(f.code for f in findings[1:4])
    return right, f"{top.code}: {top.text}" + (f" [{others}]" if others else "")


def alarms(rng: np.random.Generator, base_ms: float) -> set[str]:
    """Alarms that one clean log raises."""
    found = summarise(clean_run(rng, base_ms))
    raised = {f.code for f in found.findings} & set(ALARMS)
    if any(b.inferred for b in found.blocking):
        raised.add("inferred blocking")
    return raised


def _planted_table(seeds: int, verbose: bool) -> None:
    total = right = 0
    print(f"{'planted cause':34}{'named first':>12}   seconds a log")
    for scenario in SCENARIOS:
        begin = time.perf_counter()
        results = [hit(scenario, seed) for seed in range(seeds)]
        took = (time.perf_counter() - begin) / seeds
        count = sum(ok for ok, _ in results)
        total, right = total + seeds, right + count
        print(f"{scenario.name:34}{f'{count} of {seeds}':>12}{took:12.2f}")
        for ok, said in results:
            if verbose or not ok:
                print(f"      {'' if ok else 'MISSED '}{said[:160]}")
    print(f"{'all':34}{f'{right} of {total}':>12}   ({100 * right / total:.1f} %)\n")


def _clean_table(count: int) -> None:
    print(f"{'clean logs, base':20}{'logs':>6}{'any alarm':>12}   which")
    every, any_alarm = 0, 0
    for base in (2.0, 10.0, 20.0, 60.0):
        raised: Counter[str] = Counter()
        logs = count // 4
        for seed in range(logs):
            found = alarms(np.random.default_rng([seed, round(base)]), base)
            raised.update(found)
            raised["any"] += bool(found)
        every, any_alarm = every + logs, any_alarm + raised["any"]
        share = f"{100 * raised.pop('any') / max(logs, 1):.1f} %"
        which = ", ".join(f"{k} {v}" for k, v in raised.most_common())
        print(f"{base:>16.0f} ms{logs:>7}{share:>12}   {which}")
    print(f"{'all':20}{every:>6}{f'{100 * any_alarm / max(every, 1):.1f} %':>12}")


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seeds", type=int, default=5, help="logs for each planted cause")
    options.add_argument("--clean", type=int, default=1000, help="clean logs in all")
    options.add_argument("--verbose", action="store_true", help="print every top finding")
    given = options.parse_args()
    if given.seeds:
        _planted_table(given.seeds, given.verbose)
    if given.clean:
        _clean_table(given.clean)
