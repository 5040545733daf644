"""The plain control loop of `Rig.java` in Python: one thread, settings as key=value."""

import gc
import json
import math
import random
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from looptime.recorders import looptime_recorder

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")
SWINGS = ((45.0, 6.4), (70.0, 23.0))  # deg, s: heading = sum of A sin(2 pi t / P)
SPIN_S = 120e-6  # sleeping alone would wake up too late

now_ns = time.perf_counter_ns


def wait_until(deadline_ns: int) -> None:
    """Sleep for most of the time and spin for the rest, so that the end is exact."""
    while (left := (deadline_ns - now_ns()) / 1e9) > 0:
        if left > SPIN_S:
            time.sleep(left - SPIN_S)


class Bus:
    """A stand-in bus: one transaction at a time, with a fixed cost and a cost per item."""

    def __init__(self, settings: dict[str, str], name: str, seed: int) -> None:
        self.base_ms, self.per_item_ms, self.jitter_ms = (
            float(settings[f"{name}_{part}_ms"]) for part in ("base", "per_item", "jitter")
        )
        self.random = random.Random(seed)
        self.lock = threading.Lock()

    def transact(self, items: int) -> None:
        """Block for one transaction."""
        with self.lock:
            late = min(8.0, self.random.expovariate(1.0)) * self.jitter_ms
            cost_ms = self.base_ms + items * self.per_item_ms + late
            wait_until(now_ns() + int(cost_ms * 1e6))


class Rig:
    """The loop, and what the program itself counts while it runs, apart from the log."""

    def __init__(self, settings: dict[str, str]) -> None:
        self.settings = settings
        self.random = random.Random(int(settings["seed"]))
        self.port = Bus(settings, "port", self.random.getrandbits(32))
        self.recorder = looptime_recorder.start(
            settings["out"], settings["name"], decimals=int(settings["decimals"])
        )
        self.calls: dict[str, list[float]] = {}  # count, total ns, longest ns
        self.blocking: set[str] = set()
        self.periods = [0, 0, 0, 0]  # first, last, longest, overruns [ns, ns, ns, 1]
        self.loops = 0
        self.start_ns = self.next_telemetry_ns = now_ns()

    def timed(self, name: str, work: Callable[[], Any], blocking: bool = False) -> None:
        """Do something as a timed call, and count it here as well."""
        with self.recorder.call(name):
            start = now_ns()
            work()
            took = now_ns() - start
        count, total, longest = self.calls.get(name, (0, 0, 0))
        self.calls[name] = [count + 1, total + took, max(longest, took)]
        if blocking:
            self.blocking.add(name)

    def on_bus(self, name: str, items: int) -> None:
        """Do one transaction on the bus as a timed call."""
        self.timed(name, lambda: self.port.transact(items), blocking=True)

    def run(self) -> None:
        """Run the loop for as long as the settings say."""
        end_ns = self.start_ns + int(float(self.settings["seconds"]) * 1e9)
        with tempfile.TemporaryFile("w", encoding="utf-8") as telemetry:
            while now_ns() < end_ns or self.loops < int(self.settings["least_loops"]):
                self.recorder.loop()
                self.count_loop(now_ns())
                self.loop(telemetry)
        self.recorder.close()

    def count_loop(self, now: int) -> None:
        """Count a loop by the program's own clock."""
        first, last, longest, overruns = self.periods
        self.loops += 1
        if self.loops == 1:
            first = last = now
        over = now - last > float(self.settings["budget_ms"]) * 1e6
        self.periods = [first, now, max(longest, now - last), overruns + over]

    def loop(self, telemetry: Any) -> None:
        """Read, work out, write."""
        t = (now_ns() - self.start_ns) / 1e9
        heading = sum(a * math.sin(2 * math.pi * t / p) for a, p in SWINGS)
        rate = sum(a * 2 * math.pi / p * math.cos(2 * math.pi * t / p) for a, p in SWINGS)
        self.on_bus("gyro.read", 6)
        self.recorder.signal("heading_deg", round(heading, 2))
        self.recorder.signal("turn_rate_deg_s", round(rate, 2))
        self.timed("drive.update", lambda: self.drive(heading, rate))
        self.timed("mast.update", lambda: self.arm("mast"))
        self.timed("gripper.update", lambda: self.arm("gripper"))
        now = now_ns()
        if now >= self.next_telemetry_ns:
            every = int(float(self.settings["telemetry_ms"]) * 1e6)
            self.next_telemetry_ns += every * ((now - self.next_telemetry_ns) // every + 1)
            self.timed("telemetry.write", lambda: self.write(telemetry, heading), blocking=True)
        self.garbage()

    def drive(self, heading: float, rate: float) -> None:
        """Read the encoders, work out the wheels' commands and write them."""
        if self.settings["encoders"] == "batched":
            self.on_bus("drive.encoders.read", 8)
        else:
            for wheel in WHEELS:
                self.on_bus(f"drive.{wheel}.steer.read", 1)
                self.on_bus(f"drive.{wheel}.drive.read", 1)
        self.timed("drive.kinematics", lambda: kinematics(heading, rate))
        for wheel in WHEELS:
            self.on_bus(f"drive.{wheel}.steer.write", 1)
            self.on_bus(f"drive.{wheel}.drive.write", 1)

    def arm(self, part: str) -> None:
        """Read and write the mast or the gripper."""
        self.on_bus(f"{part}.read", 2 if part == "mast" else 1)
        self.on_bus(f"{part}.write", 1)

    def write(self, telemetry: Any, heading: float) -> None:
        """Write a line and block for as long as a slow card would."""
        start = now_ns()
        telemetry.write(f"{heading:.2f}\n")
        telemetry.flush()
        ms = float(self.settings["telemetry_cost_ms"]) * (0.8 + 0.2 * self.random.expovariate(1.0))
        wait_until(start + int(ms * 1e6))

    def garbage(self) -> None:
        """Make cycles, so that the collector has something to do."""
        for _ in range(int(self.settings["garbage_kb"])):
            cycle: list[Any] = [0] * 100
            cycle[0] = cycle

    def truth(self) -> dict[str, Any]:
        """Return the program's own figures; the last loop has no end and does not count."""
        first, last, longest, overruns = self.periods
        calls = {
            name: {
                "thread": "MainThread",
                "count": count,
                "total_ms": total / 1e6,
                "max_ms": most / 1e6,
                "lock_wait_ms": 0.0,
            }
            for name, (count, total, most) in self.calls.items()
        }
        return {
            "loops": self.loops - 1,
            "mean_period_ms": (last - first) / 1e6 / (self.loops - 1),
            "longest_period_ms": longest / 1e6,
            "overruns": overruns,
            "calls": calls,
            "top_blocking_call": max(self.blocking, key=lambda name: self.calls[name][1]),
            "collections": sum(generation["collections"] for generation in gc.get_stats()),
        }


def kinematics(heading: float, rate: float) -> list[tuple[float, float]]:
    """Wheel angles [deg] and speeds [m/s] for driving straight along the field while turning."""
    commands = []
    h, w = math.radians(heading), math.radians(rate)
    for x, y in ((0.3, 0.25), (0.3, -0.25), (-0.3, 0.25), (-0.3, -0.25)):
        for _ in range(40):  # as a solver that refines would
            vx, vy = math.cos(-h) - w * y, math.sin(-h) + w * x
        commands.append((math.degrees(math.atan2(vy, vx)), math.hypot(vx, vy)))
    return commands


def main(arguments: list[str]) -> None:
    """Run with the settings given and write the program's own figures to the file `truth`."""
    settings = dict(argument.split("=", 1) for argument in arguments)
    rig = Rig(settings)
    for key, value in (("robot", "tray-carrier"), ("label", settings["name"])):
        rig.recorder.meta(key, value)
    rig.recorder.meta("code_version", settings["code_version"])
    rig.run()
    Path(settings["truth"]).write_text(json.dumps(rig.truth(), indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
