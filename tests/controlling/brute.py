"""A robot's code and its mechanism in steps of 10 us: slow, plain, and nothing of looptime's."""

import math
from dataclasses import dataclass

import numpy as np

STEP = 1e-5


@dataclass
class Code:
    """A controller as a team would write it."""

    form: str
    kp: float
    ki: float = 0.0
    kd: float = 0.0
    h: float = 0.02
    filter_s: float = 0.0
    limit: float = math.inf
    sum_limit: float = math.inf
    of_measurement: bool = False
    forward: float = 0.0
    total: float = 0.0
    error: float = 0.0
    seen: float = 0.0
    slope: float = 0.0
    time: float = 0.0

    def __call__(self, now, wanted, speed, seen):
        """One pass of the code: the output."""
        error = wanted - seen
        dt = {"per loop": 1.0, "fixed step": self.h}.get(self.form, now - self.time)
        self.total = max(min(self.total + error * dt, self.sum_limit), -self.sum_limit)
        change = (self.seen - seen) if self.of_measurement else (error - self.error)
        slope = change / dt if dt > 1e-9 else 0.0
        if self.filter_s:
            passes = dt if self.form == "measured step" else self.h
            slope = self.slope + passes / (self.filter_s + passes) * (slope - self.slope)
        self.slope, self.error, self.seen, self.time = slope, error, seen, now
        output = self.kp * error + self.ki * self.total + self.kd * slope + self.forward * speed
        return max(min(output, self.limit), -self.limit)


@dataclass
class Machine:
    """What is moved."""

    kind: str
    K: float
    tau: float
    load: float = 0.0


def wanted_at(target, t):
    """Target and its rate; target is (kind, numbers)."""
    kind, n = target
    if t < 0:
        return 0.0, 0.0
    if kind == "step":
        return n[0], 0.0
    if kind == "ramp":
        return n[0] * t, n[0]
    if kind == "sine":
        w = 2 * math.pi * n[1]
        return n[0] * math.sin(w * t), n[0] * w * math.cos(w * t)
    distance, speed, a = n
    if speed * speed > distance * a:
        speed = math.sqrt(distance * a)
    rise = speed / a
    flat = distance / speed - rise
    if t < rise:
        return a * t * t / 2, a * t
    if t < rise + flat:
        return a * rise * rise / 2 + speed * (t - rise), speed
    if t < 2 * rise + flat:
        left = 2 * rise + flat - t
        return distance - a * left * left / 2, a * left
    return distance, 0.0


def simulate(code, machine, target, read, taken, use, horizon):
    """Run code and mechanism from `use[0]` (before 0) to the horizon."""
    load = machine.load
    code.total = load / code.ki if code.ki else 0.0
    missing = 0.0 if code.ki else load
    if machine.kind == "position":
        x, v = -missing / code.kp if missing else 0.0, 0.0
        u = load
    else:
        x, v = 0.0, -machine.K * missing / (1 + machine.K * code.kp)
        u = load - missing - code.kp * v
    start = x if machine.kind == "position" else v
    code.error, code.seen, code.time = -start, start, read[0]
    first, last = round(use[0] / STEP), round(horizon / STEP)
    taken_at = [round(t / STEP) for t in taken]
    used_at = [round(t / STEP) for t in use]
    samples = {k: start for k in range(len(use)) if taken_at[k] < first}
    k_sample = len(samples)
    k_use = 1
    values = np.empty(last - first + 1)
    for at in range(first, last + 1):
        value = x if machine.kind == "position" else v
        values[at - first] = value
        while k_sample < len(taken_at) and taken_at[k_sample] <= at:
            samples[k_sample] = value
            k_sample += 1
        while k_use < len(used_at) and used_at[k_use] <= at:
            t = read[k_use]
            wanted, rate = wanted_at(target, t)
            u = code(t, wanted, rate if machine.kind == "position" else wanted, samples[k_use])
            k_use += 1
        w = machine.K * (u - load)
        if machine.tau:
            v_middle = v + (w - v) * STEP / 2 / machine.tau
            x += v_middle * STEP
            v += (w - v_middle) * STEP / machine.tau
        else:
            v = w
            x += v * STEP
    time = np.arange(first, last + 1) * STEP
    keep = time >= 0
    return time[keep], values[keep]


def figures(time, value, target, tolerance):
    """Overshoot, settling time, rms and greatest following error, as one would read them off."""
    kind, n = target
    wanted = np.array([wanted_at(target, t)[0] for t in time[::5]])
    ends = {"step": 0.0, "ramp": n[-1], "sine": 3 / n[-1]}.get(kind)
    if ends is None:
        speed = min(n[1], math.sqrt(n[0] * n[2]))
        ends = n[0] / speed + speed / n[2]
    over = settle = math.nan
    if kind in ("step", "trapezoid"):
        over = max(float((value - n[0]).max()), 0.0)
        off = np.flatnonzero((np.abs(value - n[0]) > tolerance) & (time >= ends))
        settle = 0.0 if not len(off) else float(time[off[-1]] - ends)
        if len(off) and off[-1] == len(time) - 1:
            settle = math.inf
    moving = time[::5] <= ends
    error = (wanted - value[::5])[moving]
    rms = float(np.sqrt((error**2).mean())) if ends else math.nan
    return over, settle, rms, float(np.abs(error).max()) if ends else math.nan
