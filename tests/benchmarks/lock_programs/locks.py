"""A loop and a reader thread on one `threading.Lock`; arguments and output as in `Locks.java`."""

import random
import sys
import threading
import time
from pathlib import Path

NAMES = (
    "gyro.read", "wheel.1.read", "wheel.2.read", "wheel.3.read", "bench.read", "tray.read",
    "plan.step", "wheel.1.write", "wheel.2.write", "wheel.3.write",
)  # fmt: skip
COST_MS = (2.6, 1.2, 1.2, 1.2, 1.1, 2.0, 0.0, 0.7, 0.7, 0.7)
BUS = threading.Lock()
now = time.perf_counter_ns


def compute(ms: float) -> None:
    """Keep the processor busy."""
    end = now() + int(ms * 1e6)
    x = 0.3
    while now() < end:
        x = x * 0.999 + 1


def transact(name: int, locked: bool, chance: random.Random) -> int:
    """One transaction; returns how long it waited."""
    takes = COST_MS[name] * chance.gauss(1, 0.02) + chance.expovariate(1 / 0.05)
    if not locked:
        time.sleep(takes / 1e3)
        return 0
    asked = now()
    with BUS:
        got = now()
        time.sleep(takes / 1e3)
    return got - asked


def main(kind: str, rest_ms: float, seconds: float, seed: int, out: str) -> None:
    """Let both go round, then write what they did."""
    mine: list[tuple] = []
    theirs: list[tuple] = []
    stop = threading.Event()

    def read() -> None:
        chance = random.Random(seed + 1)
        while not stop.is_set():
            start, wait = now(), 0
            if kind == "busy":
                compute(2 + chance.random())
            else:
                wait = transact(0, kind != "none", chance)
            theirs.append(("reader", "", NAMES[0], start, now(), wait))
            if rest_ms > 0:
                time.sleep(rest_ms / 1e3)

    reader = threading.Thread(target=read)
    if rest_ms >= 0:
        reader.start()
    chance, end, loop = random.Random(seed), now() + int(seconds * 1e9), 0
    while now() < end:
        for name in range(0 if rest_ms < 0 else 1, len(NAMES)):
            start, wait = now(), 0
            if name == 6:
                compute(0.6 + 0.3 * chance.random())
            else:
                wait = transact(name, name not in (4, 5), chance)
            mine.append(("main", loop, NAMES[name], start, now(), wait))
        loop += 1
    stop.set()
    if rest_ms >= 0:
        reader.join()
    rows = [",".join(map(str, row)) for row in (*mine, *theirs)]
    Path(out).write_text("\n".join(["thread,loop,name,start_ns,end_ns,waited", *rows]) + "\n")


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]), sys.argv[5])
