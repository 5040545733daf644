"""A made-up robot whose loop is simulated call by call, apart from the planner's own code.

The program before a change and the program after it are both run here, each with its own chance:
what the planner says from the first is held against the second.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from looptime.run import Run
from looptime.schema import CallName
from tests.build_run import make_run

LABELS = {
    "gyro.read": {"kind": "sensor read", "bus": "port", "items": 6, "batchable": False},
    **{
        f"encoder.{w}.read": {"kind": "sensor read", "bus": "port", "items": 1}
        for w in ("fl", "fr", "rl", "rr")
    },
    **{
        f"wheel.{w}.write": {"kind": "actuator write", "bus": "port", "items": 1}
        for w in ("fl", "fr", "rl", "rr")
    },
    "encoders.read": {"kind": "sensor read", "bus": "port", "items": 4},
    "odometry": {"kind": "compute"},
    "telemetry.send": {"kind": "telemetry"},
    "pace.wait": {"kind": "pacing"},
}
WHEELS = ("fl", "fr", "rl", "rr")


@dataclass(frozen=True)
class Robot:
    """Costs [ms] and how the program goes about them."""

    base: float = 0.5
    per_item: float = 0.2
    jitter: float = 0.04
    compute: float = 2.0
    correlation: float = 0.9
    telemetry_ms: float = 100.0
    telemetry_cost: float = 4.0
    pause_per_s: float = 0.3
    pause_ms: float = 8.0
    batched: bool = False
    encoders_every: int = 1
    write_share: float = 1.0
    sticky: float = 0.9
    pace_ms: float = 0.0
    thread: bool = False
    gyro_bus: str = "port"
    rest: float = 0.0
    lock: str = "fair"
    hand_over: float = 0.05
    drift: float = 0.0


@dataclass
class Bus:
    """One transaction at a time, between the loop and a reader."""

    free: float = 0.0
    loop_had: bool = False


@dataclass
class World:
    """Time goes on as calls are made."""

    robot: Robot
    random: np.random.Generator
    factor: float
    now: float = 0.0
    calls: list[tuple] = field(default_factory=list)
    reads: list[tuple[float, float]] = field(default_factory=list)
    bus: Bus = field(default_factory=Bus)
    reader_asks: float = 0.0
    load: float = 0.0
    pause_due: float = 0.0
    lost: int = 0

    def spend(self, ms: float) -> None:
        """Let time go on; a pause strikes whatever runs when it is due."""
        self.now += ms
        if self.now >= self.pause_due and self.robot.pause_per_s:
            self.now += self.random.lognormal(np.log(self.robot.pause_ms), 0.3)
            gap = 1e3 / self.robot.pause_per_s
            self.pause_due = self.now + self.random.gamma(3, gap / 3)
        self.now = round(self.now, 6)  # the log holds whole nanoseconds

    def cost(self, items: int) -> float:
        """Cost of one transaction."""
        at = self.robot
        return self.factor * (at.base + items * at.per_item) + self.random.exponential(at.jitter)

    def reader_until(self, asks: float) -> None:
        """Let the reader have what it gets before the loop asks."""
        at = self.robot
        while at.thread:
            shared = at.gyro_bus == "port"
            begin = self.reader_asks
            if shared and self.bus.free > begin:
                if self.takes_again(asks):
                    return
                if at.lock == "fair" and begin >= asks:
                    return
                begin = self.bus.free + at.hand_over
            elif begin >= asks:
                return
            end = round(begin + self.cost(6), 6)
            if shared:
                self.bus.free, self.bus.loop_had, self.lost = end, False, 0
            self.reads.append((self.reader_asks, end))
            self.reader_asks = end + at.rest

    def takes_again(self, asks: float) -> bool:
        """Whether the loop gets the bus that it has just let go although the reader waits."""
        if self.robot.lock == "fair" or asks > self.bus.free + 0.1 or not self.bus.loop_had:
            return False
        again = bool(self.random.random() < (0.1 if self.lost else 0.95))
        self.lost = self.lost + 1 if again else 0
        return again

    def reader_again(self) -> None:
        """Let a reader that does not rest take the bus again although the loop waits."""
        lost = 0
        while self.robot.lock != "fair" and self.robot.rest < 0.1:
            if self.random.random() >= (0.3 if lost else 0.85):
                return
            lost += 1
            self.bus.free = round(self.reader_asks + self.cost(6), 6)
            self.reads.append((self.reader_asks, self.bus.free))
            self.reader_asks = self.bus.free + self.robot.rest

    def transact(self, name: str, items: int) -> None:
        """Make a call on the bus."""
        start = self.now
        self.reader_until(start)
        if self.robot.thread and self.robot.gyro_bus == "port" and self.bus.free > start:
            self.reader_again()
            self.now = round(self.bus.free + self.robot.hand_over, 6)
        self.spend(self.cost(items))
        self.bus.free, self.bus.loop_had = self.now, True
        self.calls.append((name, start, self.now - start))

    def work(self, name: str, ms: float) -> None:
        """Compute, more or less as long as the last time."""
        start, rho = self.now, self.robot.correlation
        self.load = rho * self.load + np.sqrt(1 - rho**2) * self.random.standard_normal()
        self.spend(self.factor * ms * np.exp(0.1 * self.load))
        self.calls.append((name, start, self.now - start))


def record(robot: Robot, seed: int, loops: int = 3000, run_sd: float = 0.007) -> Run:
    """Run the robot's program.

    Parameters
    ----------
    robot : Robot
        The program and its costs.
    seed : int
        Of its chance.
    loops : int
        How many to make.
    run_sd : float
        How much all costs differ from one recording to the next.
    """
    random = np.random.default_rng(seed)
    world = World(robot, random, float(np.exp(run_sd * random.standard_normal())))
    world.pause_due = random.exponential(1e3 / robot.pause_per_s) if robot.pause_per_s else 0.0
    starts, rows = [], []
    due, tick = random.uniform(0, robot.telemetry_ms), 0.0
    changing = random.random(4) < robot.write_share
    for k in range(loops):
        starts.append(world.now)
        world.calls = []
        world.factor *= 1 + robot.drift / loops
        due, tick, changing = _loop(world, k, due, tick, changing)
        rows.append(world.calls)
    starts.append(world.now)
    world.reader_until(world.now)
    return _run(starts, rows, world.reads)


def _loop(world: World, k: int, due: float, tick: float, changing: np.ndarray) -> tuple:
    at = world.robot
    if not at.thread:
        world.transact("gyro.read", 6)
    if k % at.encoders_every == 0:
        if at.batched:
            world.transact("encoders.read", 4)
        else:
            for wheel in WHEELS:
                world.transact(f"encoder.{wheel}.read", 1)
    world.work("odometry", at.compute)
    stay = world.random.random(4) < at.sticky
    changing = np.where(stay, changing, world.random.random(4) < at.write_share)
    for wheel, changed in zip(WHEELS, changing, strict=True):
        if changed or at.write_share == 1:
            world.transact(f"wheel.{wheel}.write", 1)
    if world.now >= due:
        due = world.now + at.telemetry_ms
        world.work("telemetry.send", at.telemetry_cost)
    world.spend(0.05)
    if at.pace_ms:
        tick += at.pace_ms
        if tick < world.now:
            tick += at.pace_ms * np.ceil((world.now - tick) / at.pace_ms)
        tick = round(float(tick), 6)
        world.calls.append(("pace.wait", world.now, tick - world.now))
        world.now = tick
    return due, tick, changing


def _run(starts: list[float], rows: list[list[tuple]], reads: list[tuple[float, float]]) -> Run:
    """The recording; reads of a thread are put into the loop in which they begin."""
    edges = np.array(starts)
    by_loop: dict[int, list[tuple]] = {}
    for asked, end in reads:
        j = int(np.clip(np.searchsorted(edges, asked, side="right") - 1, 0, len(rows) - 1))
        by_loop.setdefault(j, []).append(("gyro.read", asked - edges[j], end - asked, "reader"))

    def calls(j: int) -> Iterator[tuple]:
        for name, start, took in rows[j]:
            yield name, start - starts[j], took
        yield from by_loop.get(j, ())

    run = make_run(np.diff(edges).tolist(), lambda j: list(calls(j)), LABELS)
    names = tuple(
        replace(n, subsystem=n.name.split(".")[0]) if isinstance(n, CallName) else n
        for n in run.names
    )
    return run.with_names(names)
