"""A plain time-stepped simulation of a control loop's heading, to hold the models against.

It shares nothing with the package: time goes in steps of 10 us, the true heading is the running
sum of the turn rate, and the loop's instants lie on the grid.
"""

import numpy as np

TICK = 1e-5


def random_log(rng: np.random.Generator, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """Ticks at which readings are taken and put to use; one more of each than there are holds."""
    period = rng.uniform(300, 3000)
    n = int(seconds / TICK / period)
    hold = period * np.exp(rng.uniform(0.02, 0.3) * rng.standard_normal(n))
    hold += rng.uniform(500, 5000) * (rng.random(n) < rng.uniform(0, 0.05))
    use = np.concatenate([[0], np.cumsum(np.maximum(hold, 50).astype(np.int64))])
    share = rng.uniform(0.05, 0.9)
    shortest = np.concatenate([[hold[0]], np.minimum(hold, np.append(hold[1:], hold[-1]))])
    lag = np.maximum((share * np.minimum(shortest, period)).astype(np.int64), 1)
    # readings stay in order however uneven the loops are
    return np.maximum.accumulate(use - lag), use


def random_rates(rng: np.random.Generator, kind: str) -> tuple[str, dict[str, float]]:
    """A motion as text and as numbers."""
    if kind == "steady":
        rate = round(rng.uniform(30, 400), 1)
        return f"steady:{rate}", {"rate": rate}
    if kind == "weave":
        size, frequency = round(rng.uniform(5, 60), 1), round(rng.uniform(0.5, 2.5), 2)
        return f"weave:{size},{frequency}", {"size": size, "frequency": frequency}
    angle, rate = round(rng.uniform(30, 90), 1), round(rng.uniform(150, 400), 1)
    speed_up = round(rng.uniform(800, 3000), 1)
    return f"turn:{angle},{rate},{speed_up}", {"angle": angle, "rate": rate, "speed_up": speed_up}


def turn_rate_deg_s(kind: str, numbers: dict[str, float], t: np.ndarray) -> np.ndarray:
    """Turn rate at times counted from the motion's start."""
    if kind == "steady":
        return np.full(len(t), numbers["rate"])
    if kind == "weave":
        angular = 2 * np.pi * numbers["frequency"]
        return numbers["size"] * angular * np.cos(angular * t)
    end = turn_seconds(numbers)
    up = numbers["speed_up"] * np.minimum(t, end - t)
    return np.clip(up, 0.0, numbers["rate"])


def turn_seconds(numbers: dict[str, float]) -> float:
    """Length of a turn: with a cruise, or a triangle where the rate is not reached."""
    ramp = numbers["rate"] / numbers["speed_up"]
    if ramp * numbers["rate"] >= numbers["angle"]:
        return 2 * np.sqrt(numbers["angle"] / numbers["speed_up"])
    return numbers["angle"] / numbers["rate"] + ramp


def headings(rate_deg_s: np.ndarray) -> np.ndarray:
    """True heading at every tick [rad], by adding up the rate at the middle of each tick."""
    return np.radians(np.concatenate([[0.0], np.cumsum(rate_deg_s) * TICK]))


def stale_figures(error: np.ndarray) -> dict[str, float]:
    """Figures of an error sampled at every tick [rad]."""
    size = np.abs(error)
    return {
        "mean": float(size.mean()),
        "rms": float(np.sqrt(np.mean(size**2))),
        "p95": float(np.quantile(size, 0.95)),
        "max": float(size.max()),
        "lateral": float(np.sin(error).mean()),
        "sideways": float(np.abs(np.sin(error)).mean()),
    }
