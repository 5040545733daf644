"""What a heading error does to the floor position.

How far a robot that is told to drive straight while turning goes sideways comes with the stale
heading (`looptime.heading.stale`); here is the error of a dead-reckoned position.
"""

import math

import numpy as np

from looptime.array_types import Complex, Float
from looptime.errors import UsageError
from looptime.heading.motion import Motion
from looptime.heading.pattern import Sampling
from looptime.stats.arrays import distinct

__all__ = ["HEADINGS", "dead_reckoned", "true_path"]

#: Heading used for a step: at its start, the mean of start and end, or an arc between them.
HEADINGS = ("start", "mid", "arc")
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


def true_path(motion: Motion, duration_s: float, begin_s: float = 0.0) -> complex:
    """Displacement over speed: the integral of ``exp(i (h(t) - h(begin)))`` [s].

    Gauss-Legendre quadrature with 8 points on pieces between the motion's knots, each short enough
    that the heading turns by no more than about 1 rad.

    Parameters
    ----------
    motion : Motion
        The motion of the robot.
    duration_s : float [s]
        Length of the motion.
    begin_s : float [s]
        When it begins, on the time of the motion.

    Returns
    -------
    complex
        Real part along the heading at the beginning.
    """
    end = begin_s + duration_s
    knots = motion.knots[(motion.knots > begin_s) & (motion.knots < end)]
    pieces = max(math.ceil(motion.peak_rate * duration_s), 16)
    edges = distinct(np.concatenate([np.linspace(begin_s, end, pieces + 1), knots]))
    half = np.diff(edges)[:, None] / 2
    t = (edges[:-1, None] + half) + half * _NODES
    turned = motion.heading(t) - motion.heading(begin_s)
    return complex(np.sum(half * _WEIGHTS * np.exp(1j * turned)))


def dead_reckoned(
    motion: Motion, sampling: Sampling, starts: Float, duration_s: float, heading: str,
    own_place: bool = False,
) -> Complex:  # fmt: skip
    """Error of the dead-reckoned displacement over speed, for a motion begun at each start.

    The code adds ``step exp(i theta)`` at every loop, with theta the heading as read (`HEADINGS`).
    Steps are those from reading to reading, cut at the beginning and the end of the motion.

    Parameters
    ----------
    motion : Motion
        The motion of the robot.
    sampling : Sampling
        Instants of reading and use.
    starts : float array, shape (k,) [s]
        When the motion begins, on the time of the sampling.
    duration_s : float [s]
        Length of the motion.
    heading : str
        One of `HEADINGS`.
    own_place : bool
        Whether the motion's times are the log's own, as for a recorded one.

    Returns
    -------
    complex array, shape (k,) [s]
        Computed minus true; times the speed it is a distance.
    """
    if heading not in HEADINGS:
        raise UsageError(f"path heading {heading!r} is not known: use {', '.join(HEADINGS)}")
    read, taken = sampling.read_s, sampling.taken_s
    first = np.maximum(np.searchsorted(read, starts, side="right") - 1, 0)
    last = np.minimum(np.searchsorted(read, starts + duration_s), len(read) - 1)
    error = np.empty(len(starts), dtype=np.complex128)
    common = None if own_place else true_path(motion, duration_s)
    for i, (a, b, begin) in enumerate(zip(first, last, starts, strict=True)):
        shift = 0.0 if own_place else begin
        steps = np.diff(np.clip(read[a : b + 1], begin, begin + duration_s))
        theta = motion.heading(taken[a : b + 1] - shift)
        true = true_path(motion, duration_s, begin) if common is None else common
        reference = float(motion.heading(begin - shift))
        error[i] = np.sum(steps * _directions(theta - reference, heading)) - true
    return error


def _directions(theta: Float, heading: str) -> Complex:
    if heading == "start":
        return np.exp(1j * theta[:-1])
    middle: Complex = np.exp(1j * (theta[:-1] + theta[1:]) / 2)
    if heading == "mid":
        return middle
    return middle * np.sinc(np.diff(theta) / (2 * np.pi))
