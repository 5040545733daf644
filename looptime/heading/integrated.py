"""Heading integrated from a turn-rate gyro: the error of the rule and of the steps.

``H_{k+1} = H_k + step_k value_k``, where the code chooses the value (`RULES`) and the step
(`AssumedStep`); the error is ``H - h``. Every such sum is linear in the readings, so that
reading k gets a total weight ``v_k`` (`reading_weights`), and the error at
the end of a motion that lies within the log is ``sum(v_k w(s_k)) - angle``.
"""

import math

import numpy as np

from looptime.array_types import Float
from looptime.errors import NotEnoughError, UsageError
from looptime.heading.motion import Motion, Profile
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = [
    "RULES",
    "AssumedStep",
    "end_errors",
    "errors_along",
    "noise_variance",
    "parse_step",
    "random_starts",
    "reading_weights",
    "step_lengths",
    "stepped_errors",
]

#: ``hold-first`` takes w(s_k), ``hold-last`` w(s_{k+1}), ``trapezoid`` their mean.
RULES = ("hold-first", "hold-last", "trapezoid")


@dataclass(frozen=True)
class AssumedStep:
    """The step that the code multiplies a turn rate with."""

    #: ``measured`` (reading to reading), ``loop`` (loop start to loop start) or ``fixed``.
    kind: str = "measured"
    fixed_s: float | None = None  #: The assumed step; None for the median step of the log

    @property
    def text(self) -> str:
        """As it is written."""
        return f"fixed:{self.fixed_s * 1e3:g}" if self.fixed_s is not None else self.kind


def parse_step(text: str) -> AssumedStep:
    """Read ``measured``, ``loop``, ``fixed`` or ``fixed:MS``.

    Raises
    ------
    UsageError
        If it is none of these, or the step is not above 0.

    Examples
    --------
    >>> parse_step("fixed:20")
    AssumedStep(kind='fixed', fixed_s=0.02)
    """
    word, colon, rest = text.strip().partition(":")
    if word in ("measured", "loop", "fixed") and not colon:
        return AssumedStep(word)
    try:
        milliseconds = float(rest)
    except ValueError:
        milliseconds = math.nan
    if word != "fixed" or not (math.isfinite(milliseconds) and milliseconds > 0):
        raise UsageError(f"step {text!r} is not known: write measured, loop, fixed or fixed:MS")
    return AssumedStep("fixed", milliseconds / 1e3)


def step_lengths(sampling: Sampling, step: AssumedStep) -> Float:
    """AssumedStep that the code takes from each reading to the next; shape (n,) [s]."""
    if step.kind == "measured":
        return np.diff(sampling.read_s)
    if step.kind == "loop":
        return np.diff(sampling.start_s)
    fixed = step.fixed_s
    if fixed is None:
        fixed = float(np.median(np.diff(sampling.read_s)))
    return np.full(len(sampling), fixed)


def _check_rule(rule: str) -> str:
    if rule not in RULES:
        raise UsageError(f"integration {rule!r} is not known: use {', '.join(RULES)}")
    return rule


def reading_weights(steps: Float, rule: str) -> Float:
    """Total weight of each reading in the integrated heading.

    ``step_k`` for hold-first, ``step_{k-1}`` for hold-last and ``(step_{k-1} + step_k) / 2`` for
    the trapezoid, with half a step at the ends.

    Parameters
    ----------
    steps : float array, shape (n,) [s]
        AssumedStep from each reading to the next.
    rule : str
        One of `RULES`.

    Returns
    -------
    float array, shape (n + 1,) [s]

    Examples
    --------
    >>> reading_weights(np.array([1.0, 2.0]), "trapezoid").tolist()
    [0.5, 1.5, 1.0]
    """
    _check_rule(rule)
    first = np.append(steps, 0.0)
    last = np.insert(steps, 0, 0.0)
    if rule == "trapezoid":
        return (first + last) / 2
    return first if rule == "hold-first" else last


def _increments(values: Float, steps: Float, rule: str, resolution: float) -> Float:
    """What is added at each step, cut to whole multiples of the resolution where there is one."""
    before, after = values[..., :-1], values[..., 1:]
    held = {"hold-first": before, "hold-last": after}.get(_check_rule(rule))
    turned = steps * (before + after) / 2 if held is None else steps * held
    return np.trunc(turned / resolution * (1 + 1e-12)) * resolution if resolution > 0 else turned


def errors_along(
    motion: Motion, sampling: Sampling, rule: str, step: AssumedStep, resolution: float = 0.0
) -> Float:
    """Error of the integrated heading at each reading, the motion in its place in the log.

    Parameters
    ----------
    motion : Motion
        Times count as those of the sampling do.
    sampling : Sampling
        Instants of reading and use.
    rule : str
        One of `RULES`.
    step : AssumedStep
        The step that the code takes.
    resolution : float [rad]
        Increments are cut to whole multiples of it, and what is cut off is lost; 0 for none.

    Returns
    -------
    float array, shape (n + 1,) [rad]
        The first is 0.
    """
    rate, steps = motion.rate(sampling.taken_s), step_lengths(sampling, step)
    turned = _increments(rate, steps, rule, resolution)
    true = motion.heading(sampling.read_s)
    return np.concatenate([[0.0], np.cumsum(turned - np.diff(true))])


def random_starts(
    sampling: Sampling, duration_s: float, seed: int, limit: int = 20_000
) -> tuple[Float, Float]:
    """A start in every loop, at a random phase within it, with the loop's length as its weight.

    So every moment of the log is as likely a start as any other.

    Parameters
    ----------
    sampling : Sampling
        Instants of reading and use.
    duration_s : float [s]
        Starts from which the motion would outlast the log are left out.
    seed : int
        Of the random phases.
    limit : int
        With more loops than this, only every second, third, ... loop gets a start.

    Returns
    -------
    starts, weights : float array, shape (k,) [s], [s]

    Raises
    ------
    NotEnoughError
        If the log is shorter than the motion.
    """
    hold = sampling.hold_s
    start = sampling.use_s[:-1] + np.random.default_rng(seed).random(len(hold)) * hold
    first = max(float(sampling.read_s[0]), float(sampling.taken_s[0]))
    last = min(float(sampling.read_s[-1]), float(sampling.taken_s[-1]))
    fits = (start >= first) & (start + duration_s <= last)
    fits &= np.arange(len(hold)) % -(-len(hold) // limit) == 0
    if not fits.any():
        raise NotEnoughError(
            f"the log is too short for the motion: {sampling.duration_s:.3g} s of loops, "
            f"and the motion lasts {duration_s:.3g} s"
        )
    return start[fits], hold[fits]


def end_errors(
    motion: Profile, sampling: Sampling, rule: str, step: AssumedStep, starts: Float
) -> Float:
    """Error at the end of a finite motion begun at each of many moments.

    ``sum(v_k w(s_k - start)) - angle``. Within one piece of the profile the rate is a line in
    time, so running sums of ``v_k`` and ``v_k s_k`` give the sum for every start at once: the cost
    does not grow with the number of loops in the motion.

    Parameters
    ----------
    motion : Profile
        The motion of the robot.
    sampling : Sampling
        Instants of reading and use.
    rule : str
        One of `RULES`.
    step : AssumedStep
        The step that the code takes.
    starts : float array, shape (k,) [s]
        When the motion begins, on the time of the sampling.

    Returns
    -------
    float array, shape (k,) [rad]
    """
    weight = reading_weights(step_lengths(sampling, step), rule)
    taken = sampling.taken_s
    count = np.concatenate([[0.0], np.cumsum(weight)])
    moment = np.concatenate([[0.0], np.cumsum(weight * taken)])
    total = np.zeros(len(starts))
    at = np.searchsorted(taken, starts + motion.times[0])
    for i, slope in enumerate(motion.slopes):
        to = np.searchsorted(taken, starts + motion.times[i + 1])
        base = motion.rates[i] - slope * (motion.times[i] + starts)
        total += base * (count[to] - count[at]) + slope * (moment[to] - moment[at])
        at = to
    return total - motion.angle


def stepped_errors(
    motion: Motion, sampling: Sampling, rule: str, step: AssumedStep, starts: Float,
    duration_s: float, resolution: float = 0.0,
) -> Float:  # fmt: skip
    """The same by adding up the steps one by one, for sensors whose increments are cut.

    Parameters
    ----------
    motion : Motion
        Begun at each start.
    sampling : Sampling
        Instants of reading and use.
    rule : str
        One of `RULES`.
    step : AssumedStep
        The step that the code takes.
    starts : float array, shape (k,) [s]
        When the motion begins, on the time of the sampling.
    duration_s : float [s]
        Length of the motion.
    resolution : float [rad]
        Increments are cut to whole multiples of it; 0 for none.

    Returns
    -------
    float array, shape (k,) [rad]
    """
    steps = step_lengths(sampling, step)
    first = np.maximum(np.searchsorted(sampling.taken_s, starts) - 1, 0)
    last = np.minimum(np.searchsorted(sampling.taken_s, starts + duration_s) + 1, len(steps))
    found = np.empty(len(starts))
    for i, (a, b, begin) in enumerate(zip(first, last, starts, strict=True)):
        rate = motion.rate(sampling.taken_s[a : b + 1] - begin)
        turned = _increments(rate, steps[a:b], rule, resolution)
        found[i] = turned.sum() - motion.heading(duration_s)
    return found


def noise_variance(sampling: Sampling, rule: str, step: AssumedStep, noise: float) -> float:
    """Variance that white noise of the readings leaves in the integrated heading.

    ``n^2 sum(v_k^2)``; readings of the same value (a sensor slower than the loop) share their
    noise, so their weights are summed before they are squared.

    Parameters
    ----------
    sampling : Sampling
        Instants of reading and use.
    rule : str
        One of `RULES`.
    step : AssumedStep
        The step that the code takes.
    noise : float [rad/s]
        Standard deviation of each reading.

    Returns
    -------
    float [rad2]
        Over the whole sampling.
    """
    weight = reading_weights(step_lengths(sampling, step), rule)
    fresh = np.concatenate([[True], np.diff(sampling.taken_s) > 0])
    return noise**2 * float(np.sum(np.bincount(np.cumsum(fresh) - 1, weight) ** 2))
