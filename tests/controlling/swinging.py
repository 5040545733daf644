"""Loops played in steps of half a millisecond, with dead time, limits, coarse sensors and play."""

import numpy as np

FINE = 0.0005


def even(x):
    """A function of time that stays."""
    return lambda t: x


def weave(t):
    """A target that swings slowly."""
    return 0.5 * np.sin(1.3 * t)


def play(
    goal, gain, *, full=1.5, tau=0.1, dead=0.0, limit=1.0, grain=0.0, play_width=0.0, noise=0.0,
    rate=0.0, seed=0, step=0.02, length=40.0, sum_gain=0.0, shake=None, speed=False,
):  # fmt: skip
    """Time, goal, measured value and output of each loop.

    The motor's `full` speed follows the output with the time constant `tau` after `dead` seconds;
    the value hangs behind it by the play. `goal` and `gain` are functions of time; `rate` is the
    gain of the value's change, and `shake` moves the sensor and nothing else.
    """
    rng = np.random.default_rng(seed)
    x = v = moved = out = total = 0.0
    line, rows, before = [0.0] * (int(dead / FINE) + 1), [], None
    begin, due = 0.0, 0.0
    for k in range(int(length / FINE)):
        now = k * FINE
        if now >= due:
            true = v if speed else moved
            seen = true + (shake(now) if shake else 0.0) + noise * rng.standard_normal()
            seen = np.round(seen / grain) * grain if grain else seen
            change = 0.0 if before is None else (seen - before) / max(now - begin, FINE)
            error = goal(now) - seen
            total += error * step
            out = float(
                np.clip(gain(now) * error + sum_gain * total - rate * change, -limit, limit)
            )
            rows.append((now, goal(now), seen, out))
            before, begin = seen, now
            due = now + step * np.exp(0.06 * rng.standard_normal())
        line.append(out)
        v += (full * line[-len(line)] - v) * FINE / tau
        del line[0]
        x += v * FINE
        moved = min(max(moved, x - play_width / 2), x + play_width / 2)
    return np.array(rows).T


def by_turning(time, value, begin=0.0):
    """Frequency by zero crossings after `begin`, about the mean, and half the height there."""
    time, value = time[time >= begin], value[time >= begin]
    about = value - value.mean()
    up = np.flatnonzero((about[:-1] < 0) & (about[1:] >= 0))
    return (len(up) - 1) / (time[up[-1]] - time[up[0]]), float(np.sqrt(2) * about.std())
