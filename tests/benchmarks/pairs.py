"""Plans held against recordings of the changed program: ``python -m tests.benchmarks.pairs``.

Programs of several threads are played event by event, apart from the planner's own code: locks
that are handed over in order or taken by whoever comes first, sleeps that last too long, every rule
of pacing. Each is played before a change and after it, each with its own chance. ``--rule NAME``
and ``--change WORD`` pick rows, ``--seeds N`` plays each pair N times.
"""

import argparse
import heapq
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from looptime.planner import predict
from looptime.planner.answer.measures import Measures, measure
from looptime.planner.answer.prediction import Prediction
from looptime.project import Bus
from looptime.run import Run
from tests.build_run import make_run

BUDGET_MS = 10.5


@dataclass(frozen=True)
class Job:
    """A call [ms]: its bus, how it scatters, and how often it is made."""

    name: str
    ms: float
    bus: str = ""
    scatter: float = 0.03
    spikes: tuple[float, float] = (0.0, 0.0)  #: Share of the calls, and how much longer [ms]
    loops: int = 1
    each_ms: float = 0.0  #: So long after it last began
    picked_up: bool = False  #: A thread reads it, and the loop takes the last reading here


@dataclass(frozen=True)
class Thread:
    """Its jobs over and over.

    `rule`: ``free``, ``sleep`` for `ms` after each round, or what becomes of the ticks of `ms` when
    a round was too long: ``skip``, ``catch-up``, ``at-once`` or ``go-on``.
    """

    jobs: tuple[Job, ...]
    rule: str = "free"
    ms: float = 0.0


Program = dict[str, Thread]


@dataclass
class World:
    """Events to come, who holds and who waits for each bus, and the rows so far."""

    fair: bool
    random: np.random.Generator
    now: float = 0.0
    events: list[tuple[float, int, Iterator[float | str]]] = field(default_factory=list)
    holder: dict[str, object] = field(default_factory=dict)
    queue: dict[str, deque[Iterator[float | str]]] = field(default_factory=dict)
    rows: list[tuple[str, str, float, float]] = field(default_factory=list)
    #: Readings that threads hand over, and those that the loop picks up.
    marks: list[tuple[float, str, str, str]] = field(default_factory=list)
    starts: list[float] = field(default_factory=list)
    count: int = 0

    def at(self, time: float, who: Iterator[float | str]) -> None:
        """Let a thread go on at an instant."""
        self.count += 1
        heapq.heappush(self.events, (time, self.count, who))

    def go_on(self, who: Iterator[float | str]) -> None:
        """Let a thread run until it sleeps or waits."""
        asked = next(who)
        while isinstance(asked, str):
            if self.holder.get(asked) is not None:
                self.queue.setdefault(asked, deque()).append(who)
                return
            self.holder[asked] = who
            asked = next(who)
        self.at(self.now + asked, who)

    def release(self, bus: str) -> None:
        """Give a bus back: to who waits first, or to whoever is there when that one has woken."""
        self.holder[bus] = None
        if self.queue.get(bus):
            heir = self.queue[bus].popleft()
            if self.fair:
                self.holder[bus] = heir
                self.at(self.now + self.random.uniform(0.01, 0.03), heir)
            else:
                self.at(self.now + self.random.uniform(0.03, 0.07), self._try(bus, heir))

    def _try(self, bus: str, heir: Iterator[float | str]) -> Iterator[float | str]:
        """One that has woken and finds the bus free, or waits on as the first."""
        if self.holder.get(bus) is None:
            self.holder[bus] = heir
            self.at(self.now, heir)
        else:
            self.queue[bus].appendleft(heir)
        yield 1e12

    def oversleep(self) -> float:
        """What a sleep lasts beyond what is asked for [ms]."""
        return 0.055 + self.random.exponential(0.02)


def thread(world: World, name: str, of: Thread) -> Iterator[float | str]:
    """One thread; yields how long it sleeps [ms], or the bus that it wants."""
    tick, k, last = world.now, 0, dict.fromkeys((job.name for job in of.jobs), -1e9)
    while True:
        if name == "main":
            world.starts.append(world.now)
        for job in of.jobs:
            if k % job.loops or world.now - last[job.name] < job.each_ms:
                continue
            asked = last[job.name] = world.now
            if job.picked_up:
                world.marks.append((asked, job.name, "used", name))
                continue
            if job.bus:
                yield job.bus
            yield took(job, world.random)
            if job.bus:
                world.release(job.bus)
            world.rows.append((name, job.name, asked, world.now))
            if name != "main" and job.name.endswith(".read"):
                world.marks.append((world.now, job.name, "published", name))
            yield world.random.uniform(0.001, 0.003)
        if of.rule != "free":
            begun = world.now
            tick, rest = next_tick(of, tick, world.now)
            if rest > 0:
                yield rest + world.oversleep()
            if of.rule != "sleep":
                world.rows.append((name, f"{name}.wait", begun, world.now))
            if of.rule == "go-on" and rest <= 0:
                tick = world.now
        k += 1


def took(job: Job, random: np.random.Generator) -> float:
    """How long one call takes [ms]."""
    share, more = job.spikes
    long = more * random.uniform(0.8, 1.2) if random.random() < share else 0.0
    return float(job.ms * max(1 + job.scatter * random.standard_normal(), 0.5) + long)


def next_tick(of: Thread, tick: float, now: float) -> tuple[float, float]:
    """The tick that is waited for, and how long [ms]; none where it is over."""
    if of.rule == "sleep":
        return now, of.ms
    tick += of.ms
    if of.rule == "skip" and tick < now:
        tick += of.ms * np.ceil((now - tick) / of.ms)
    if of.rule == "at-once" and tick < now:
        tick += of.ms * np.floor((now - tick) / of.ms)
    return tick, tick - now


def record(program: Program, fair: bool, seed: int, loops: int = 3000) -> Run:
    """What a recorder in the program would have logged."""
    world = World(fair, np.random.default_rng(seed))
    for i, (name, of) in enumerate(program.items()):
        world.at(0.0 if name == "main" else 0.7 * i, thread(world, name, of))
    while len(world.starts) <= loops:
        now, _, who = heapq.heappop(world.events)
        world.now = round(now, 6)  # the log holds whole nanoseconds
        world.go_on(who)
    start = np.round(world.starts, 6)
    by_loop: dict[int, list[tuple[object, ...]]] = {}
    for name, call, asked, end in world.rows:
        j = int(np.searchsorted(start, asked, "right")) - 1
        row = (call, round(asked - start[j], 6), round(end - asked, 6))
        if j < loops and end <= start[-1]:
            by_loop.setdefault(j, []).append(row if name == "main" else (*row, name))
    names = {j.name: label(j) for of in program.values() for j in of.jobs}
    names |= {f"{name}.wait": {"kind": "pacing"} for name in program}
    made = {c[0] for calls in by_loop.values() for c in calls}
    names = {name: at for name, at in names.items() if name in made}
    known = [m for m in sorted(world.marks) if m[1] in made and m[0] <= start[-1]]
    return make_run(np.diff(start).tolist(), lambda j: by_loop.get(j, []), names, marks=known)


def label(job: Job) -> dict[str, object]:
    """What a project file would say of a call."""
    kind = {"read": "sensor read", "write": "actuator write", "send": "telemetry"}
    what = kind.get(job.name.split(".")[-1], "compute")
    bus = job.bus or ("board" if what in ("sensor read", "actuator write") else None)
    return {"kind": what, "bus": bus, "items": 1}


# ---- pairs ------------------------------------------------------------------------------------

GYRO = Job("gyro.read", 1.2, "port", spikes=(0.03, 6.0))
ENCODERS = tuple(Job(f"encoder.{w}.read", 0.7, "port") for w in ("fl", "fr", "rl", "rr"))
FILTER = Job("filter", 1.5, scatter=0.1)
SCAN = Job("scan.read", 2.2, "cable", spikes=(0.01, 3.0))
DRIVE = Job("drive.write", 1.1)
SEND = Job("telemetry.send", 1.6, each_ms=150.0)
LOOP = (GYRO, *ENCODERS, FILTER, SCAN, DRIVE, SEND)
RULES = {
    "free": 0.0, "sleep": 1.0, "skip": 10.0, "catch-up": 10.0, "at-once": 10.0, "go-on": 10.0,
}  # fmt: skip
RANGE = Thread((Job("range.read", 2.0, "port"),), "sleep", 6.0)
BATTERY = Thread((Job("battery.read", 3.5, "port"),), "skip", 50.0)


def other(*jobs: Job) -> tuple[Job, ...]:
    """The loop with other jobs in place of those of the same names."""
    new = {job.name: job for job in jobs}
    return tuple(new.get(job.name, job) for job in LOOP)


def picked_up(job: Job) -> tuple[Job, ...]:
    """The loop that takes from a thread what it read itself."""
    return other(replace(job, picked_up=True))


def pairs() -> dict[str, tuple[Program, Program, dict[str, Bus]]]:
    """Change, program before and after without the loop's rule, and what is stated of buses."""

    def main(jobs: tuple[Job, ...] = LOOP, **threads: Thread) -> Program:
        return {"main": Thread(jobs), **threads}

    moved = Thread((replace(RANGE.jobs[0], bus="aux"),), "sleep", 6.0)
    rested = Thread(RANGE.jobs, "sleep", 25.0)
    batch = Job("encoders.read", 0.4 + 4 * 0.3, "port")
    at = [i for i, job in enumerate(LOOP) if job in ENCODERS]
    batched = (*LOOP[: at[0]], batch, *LOOP[at[-1] + 1 :])
    port = {"port": Bus(0.4, 0.3)}
    own = Thread((SCAN,), "sleep", 4.0)
    no_drive = tuple(job for job in LOOP if job is not DRIVE)
    shorter = Thread((replace(BATTERY.jobs[0], ms=1.75),), "skip", 50.0)
    half = replace(SCAN, ms=1.1, spikes=(0.01, 1.5))
    return {
        "scale scan.read by=0.5": (main(), main(other(half)), {}),
        "cap gyro.read ms=2": (main(), main(other(replace(GYRO, spikes=(0.03, 0.8), ms=1.2))), {}),
        "every scan.read loops=4": (main(), main(other(replace(SCAN, loops=4))), {}),
        "every telemetry.send ms=600": (main(), main(other(replace(SEND, each_ms=600.0))), {}),
        "batch encoder.*.read as=encoders.read": (main(), main(batched), port),
        "thread scan.read rest-ms=4": (main(), main(picked_up(SCAN), scan=own), {}),
        "thread drive.write rest-ms=4": (
            main(), main(no_drive, drive=Thread((DRIVE,), "sleep", 4.0)), {}),
        "thread gyro.read rest-ms=8": (
            main(), main(picked_up(GYRO), gyro=Thread((GYRO,), "sleep", 8.0)), {}),
        "move range.read bus=aux": (main(range=RANGE), main(range=moved), {}),
        "move gyro.read bus=aux": (
            main(range=RANGE), main(other(replace(GYRO, bus="aux")), range=RANGE), {}),
        "rest range.read ms=25": (main(range=RANGE), main(range=rested), {}),
        "drop battery.read": (main(battery=BATTERY), main(), {}),
        "scale battery.read by=0.5": (
            main(battery=BATTERY), main(battery=shorter), {}),
        "every scan.read loops=3": (
            main(battery=BATTERY), main(other(replace(SCAN, loops=3)), battery=BATTERY), {}),
    }  # fmt: skip


def figures(at: Measures) -> dict[str, float]:
    """What is compared: period, overruns and the ages of what is read [ms, share]."""
    made = {k: at.period_ms[k].value for k in ("mean", "p50", "p90", "p99")}
    made["over"] = at.overrun_share.value if at.overrun_share else None
    for name in ("gyro.read", "scan.read"):
        if name in at.ages:
            made |= {f"{name} {k}": at.ages[name][k].value for k in ("mean", "p95")}
    return {k: v for k, v in made.items() if v is not None}


def told(made: Prediction) -> dict[str, tuple[float, float, float]]:
    """The same of a prediction, each with its interval."""
    at = made.predicted
    found = {k: at.period_ms[k] for k in ("mean", "p50", "p90", "p99")}
    assert at.overruns is not None
    found["over"] = at.overruns["share"]
    for name in ("gyro.read", "scan.read"):
        if name in at.age_at_first_use_ms:
            age = at.age_at_first_use_ms[name]
            found |= {f"{name} {k}": age[k] for k in ("mean", "p95")}
    known = {k: (f.value, f.low, f.high) for k, f in found.items()}
    return {k: (v, low, high) for k, (v, low, high) in known.items()
            if v is not None and low is not None and high is not None}  # fmt: skip


def show(rule: str, fair: bool, change: str, seeds: int) -> tuple[int, int]:
    """One pair, each figure on a line where it is off; returns figures held, and all."""
    before, after, buses = pairs()[change]
    lock = "fair" if fair else "barging"
    stated = {"port": replace(buses.get("port", Bus()), lock=lock)}
    held = count = 0
    for seed in range(seeds):
        was, came = (
            record({**p, "main": replace(p["main"], rule=rule, ms=RULES[rule])}, fair, 2 * seed + i)
            for i, p in enumerate((before, after))
        )
        made = predict(was, [change], buses=stated, budget_ms=BUDGET_MS)
        had, true = (figures(measure(run, budget_ms=BUDGET_MS)) for run in (was, came))
        for k, (value, low, high) in told(made).items():
            if k not in true:
                continue
            count += 1
            inside = low <= true[k] <= high
            held += inside
            least = 0.01 if k == "over" else 0.15 if " " in k else 0.02 * true[k]
            if not inside and min(abs(low - true[k]), abs(high - true[k])) > least:
                print(
                    f"{rule:9}{lock:8}{change:40}{k:16}before {had.get(k, np.nan):8.3f} "
                    f"told {value:8.3f} ({low:.3f} to {high:.3f}) came {true[k]:8.3f}"
                )
    return held, count


def main() -> None:
    """Print what is off, and the share of figures that lie in their intervals."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rule", choices=tuple(RULES))
    parser.add_argument("--change", default="")
    parser.add_argument("--seeds", type=int, default=1)
    options = parser.parse_args()
    total = np.zeros(2, int)
    for rule in [options.rule] if options.rule else RULES:
        for change in pairs():
            if options.change in change:
                for fair in (True, False):
                    total += show(rule, fair, change, options.seeds)
    print(f"{total[0]} of {total[1]} figures lie in their intervals")


if __name__ == "__main__":
    main()
