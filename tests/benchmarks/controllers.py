"""Speed of the study of controllers: four of them with all curves on three minutes at 100 Hz.

Run as ``python -m tests.benchmarks.controllers``.
"""

import time

import numpy as np

import looptime
from looptime.controllers import Controller, Wheel, parse_target
from looptime.project import Project
from looptime.run import Run
from tests.build_run import make_flat_run

TARGET_S = 2.0
WHEELS = {"fl": (0.3, 0.25), "fr": (0.3, -0.25), "rl": (-0.3, 0.25), "rr": (-0.3, -0.25)}


def steered_run(loops: int) -> Run:
    """About 10 ms loops with stalls, in which four wheels are read and written one by one."""
    rng = np.random.default_rng(1)
    period = np.round(1e7 * np.exp(0.1 * rng.standard_normal(loops))).astype(np.int64)
    period[rng.random(loops) < 0.01] += 30_000_000
    calls = {f"{n}.read": np.full(loops, 400_000) for n in WHEELS}
    calls |= {f"{n}.write": np.full(loops, 500_000) for n in WHEELS}
    kinds = {n: "sensor read" if "read" in n else "actuator write" for n in calls}
    return make_flat_run(np.maximum(period, 6_000_000), calls, kinds)


def project(target: str) -> Project:
    """Four steering controllers with this target, and their wheels."""
    controllers = tuple(
        Controller(n, f"{n}.read", f"{n}.write", form="fixed step", step_ms=20, kp=0.02, ki=0.01,
                   kd=0.0005, plant="position", full_speed=720, time_constant_ms=40, wraps=360,
                   target=parse_target(target), tolerance=2.0, resolution=0.1)
        for n in WHEELS
    )  # fmt: skip
    wheels = tuple(Wheel(n, f"{n}.read", f"{n}.write", x, y) for n, (x, y) in WHEELS.items())
    return Project(controllers=controllers, wheels=wheels, max_steering_deg_s=360)


def main() -> None:
    """Least wall and processor time of three goes, by target."""
    run = steered_run(18_000)
    print(f"four controllers, curves and wheels, {len(run):,} loops, {run.duration_s:.0f} s")
    print(f"{'target':<24}{'wall s':>8}{'cpu s':>8}   target {TARGET_S} s")
    for target in ("step:90", "ramp:90,1", "trapezoid:90,360,2000", "sine:20,1.5"):
        goes = []
        for _ in range(3):
            wall, processor = time.perf_counter(), time.process_time()
            looptime.control(run, project=project(target))
            goes.append((time.perf_counter() - wall, time.process_time() - processor))
        wall, processor = min(g[0] for g in goes), min(g[1] for g in goes)
        verdict = "ok" if wall <= TARGET_S else "over"
        print(f"{target:<24}{wall:>8.2f}{processor:>8.2f}   {verdict}")


if __name__ == "__main__":
    main()
