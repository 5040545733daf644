"""Motions of the robot: turn rate and heading as exact functions of time.

Every motion gives its turn rate ``w(t)`` and its heading ``h(t)``, the exact integral of the
rate with ``h(0) = 0``, for arrays of times. Angles are in radians and times in seconds; only the
text that describes a motion, and what is shown of it, is in degrees.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from looptime.array_types import Float, Int
from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.stats.smoothing import Pieces

__all__ = ["Motion", "Profile", "Recorded", "Steady", "Weave", "turn"]

#: Motions longer than this are taken to be a slip of the unit [s].
LONGEST_S = 3600.0


class Motion:
    """What every motion offers.

    Attributes
    ----------
    text : str
        The motion as it was asked for.
    duration_s : float or None
        Length of the motion [s]; None for one that goes on for as long as the log does.
    knots : float array, shape (k,) [s]
        Times between which the rate is smooth.
    limits : tuple of str
        What the motion cannot show, in plain words.
    supposed : tuple of str
        What it rests on though little shows it, as it would follow an "if".
    """

    text: str
    duration_s: float | None = None
    limits: tuple[str, ...] = ()
    supposed: tuple[str, ...] = ()

    @property
    def knots(self) -> Float:
        """Times between which the rate is smooth; shape (k,) [s]."""
        return np.empty(0)

    @property
    def peak_rate(self) -> float:
        """Largest turn rate [rad/s]."""
        raise NotImplementedError

    def rate(self, t: ArrayLike) -> Float:
        """Turn rate at each time [rad/s]."""
        raise NotImplementedError

    def heading(self, t: ArrayLike) -> Float:
        """Heading at each time [rad], 0 at time 0."""
        raise NotImplementedError

    def phases(self, count: int) -> tuple[Float, Float]:
        """Moments of the motion that stand for all of it, and the share of time of each.

        Parameters
        ----------
        count : int
            About how many moments are wanted.

        Returns
        -------
        times, shares : float array, shape (p,) [s], [1]
            Midpoints of stretches that cover the motion; the shares add up to 1.
        """
        raise NotImplementedError


@dataclass(frozen=True)
class Steady(Motion):
    """A turn at one rate that goes on: ``w(t) = w``, ``h(t) = w t``.

    Examples
    --------
    >>> round(float(np.degrees(Steady("", np.radians(90.0)).heading(2.0))), 9)
    180.0
    """

    text: str
    turn_rate: float  #: Of the steady turn [rad/s]

    @property
    def peak_rate(self) -> float:
        """The turn rate [rad/s]."""
        return self.turn_rate

    def rate(self, t: ArrayLike) -> Float:
        """Turn rate at each time [rad/s]."""
        return np.full(np.shape(t), self.turn_rate)

    def heading(self, t: ArrayLike) -> Float:
        """Heading at each time [rad]."""
        return self.turn_rate * np.asarray(t, dtype=np.float64)

    def phases(self, count: int) -> tuple[Float, Float]:
        """One moment: all are alike."""
        return np.zeros(1), np.ones(1)


@dataclass(frozen=True)
class Weave(Motion):
    """Heading that swings to and fro: ``h(t) = A sin(2 pi f t)``."""

    text: str
    amplitude: float  #: [rad]
    frequency_hz: float  #: [Hz]

    @property
    def angular(self) -> float:
        """``2 pi f`` [rad/s]."""
        return 2 * math.pi * self.frequency_hz

    @property
    def peak_rate(self) -> float:
        """``2 pi f A`` [rad/s]."""
        return self.angular * self.amplitude

    def rate(self, t: ArrayLike) -> Float:
        """Turn rate at each time [rad/s]."""
        return self.peak_rate * np.cos(self.angular * np.asarray(t, dtype=np.float64))

    def heading(self, t: ArrayLike) -> Float:
        """Heading at each time [rad]."""
        return self.amplitude * np.sin(self.angular * np.asarray(t, dtype=np.float64))

    def phases(self, count: int) -> tuple[Float, Float]:
        """Moments of one swing, evenly spread."""
        times = (np.arange(count, dtype=np.float64) + 0.5) / (count * self.frequency_hz)
        return times, np.full(count, 1.0 / count, dtype=np.float64)


@dataclass(frozen=True)
class Profile(Motion):
    """A turn whose rate is a line between given points and 0 before and after them.

    Within the piece that begins at ``t_i``: ``w = w_i + c_i (t - t_i)`` and
    ``h = h_i + w_i (t - t_i) + c_i (t - t_i)^2 / 2``, with ``c_i`` the slope of the rate.

    Examples
    --------
    >>> ramp = Profile("", np.array([0.0, 2.0]), np.array([0.0, 1.0]))
    >>> ramp.heading([0.0, 1.0, 2.0, 3.0]).tolist()
    [0.0, 0.25, 1.0, 1.0]
    """

    text: str
    times: Float  #: Ascending, the first 0, shape (k,) [s]
    rates: Float  #: shape (k,) [rad/s]
    limits: tuple[str, ...] = ()
    slopes: Float = field(init=False, repr=False)
    reached: Float = field(init=False, repr=False)

    def __post_init__(self) -> None:
        width = np.diff(self.times)
        turned = np.concatenate([[0.0], np.cumsum(width * (self.rates[1:] + self.rates[:-1]) / 2)])
        object.__setattr__(self, "slopes", np.diff(self.rates) / width)
        object.__setattr__(self, "reached", turned)

    @property
    def duration_s(self) -> float:  # type: ignore[override]
        """Length of the motion [s]."""
        return float(self.times[-1])

    @property
    def knots(self) -> Float:
        """Times of the given points [s]."""
        return self.times

    @property
    def peak_rate(self) -> float:
        """Largest turn rate, without its sign [rad/s]."""
        return float(np.abs(self.rates).max())

    @property
    def angle(self) -> float:
        """Heading reached at the end [rad]."""
        return float(self.reached[-1])

    def _piece(self, t: Float) -> tuple[Int, Float]:
        at = np.searchsorted(self.times, t, side="right") - 1
        at = np.clip(at, 0, len(self.slopes) - 1)
        return at, np.clip(t - self.times[at], 0.0, np.diff(self.times)[at])

    def rate(self, t: ArrayLike) -> Float:
        """Turn rate at each time [rad/s]; 0 outside the motion."""
        time = np.asarray(t, dtype=np.float64)
        at, since = self._piece(time)
        inside = (time >= 0) & (time <= self.times[-1])
        return np.where(inside, self.rates[at] + self.slopes[at] * since, 0.0)

    def heading(self, t: ArrayLike) -> Float:
        """Heading at each time [rad]."""
        at, since = self._piece(np.asarray(t, dtype=np.float64))
        return self.reached[at] + since * (self.rates[at] + self.slopes[at] * since / 2)

    def phases(self, count: int) -> tuple[Float, Float]:
        """Moments of every piece of the profile, each piece by its length."""
        return _pieces(self.times, count)


@dataclass(frozen=True)
class Recorded(Motion):
    """The robot's own motion, as the log has it: a smoothing spline through fresh values."""

    text: str
    #: Heading [rad] and its derivative [rad/s] over time since the run's start [s].
    spline: Pieces
    rate_spline: Pieces
    #: `begin_s`, `end_s`: First and last value; the robot is taken to stand still outside.
    begin_s: float
    end_s: float
    limits: tuple[str, ...] = ()
    supposed: tuple[str, ...] = ()

    @property
    def knots(self) -> Float:
        """Knots of the spline [s]."""
        return self.spline.knots

    @cached_property
    def peak_rate(self) -> float:
        """Largest turn rate at the knots and between, without its sign [rad/s]."""
        knots = self.knots
        return float(np.abs(self.rate(np.concatenate([knots, (knots[1:] + knots[:-1]) / 2]))).max())

    def rate(self, t: ArrayLike) -> Float:
        """Turn rate at each time [rad/s]."""
        time = np.asarray(t, dtype=np.float64)
        inside = (time >= self.begin_s) & (time <= self.end_s)
        return np.where(inside, self.rate_spline(np.clip(time, self.begin_s, self.end_s)), 0.0)

    def heading(self, t: ArrayLike) -> Float:
        """Heading at each time [rad]."""
        time = np.asarray(t, dtype=np.float64)
        return self.spline(np.clip(time, self.begin_s, self.end_s))

    def phases(self, count: int) -> tuple[Float, Float]:
        """Not defined: a recorded motion has its own place in the log."""
        raise UsageError("a recorded motion cannot start at another moment of the log")


def turn(
    angle_deg: float, rate_deg_s: float, acceleration_deg_s2: float, text: str = ""
) -> Profile:
    """A turn from rest to rest: speed up, hold the rate, slow down.

    Where the angle is too small to reach the rate, the profile is a triangle with the peak
    ``sqrt(angle x acceleration)``.

    Parameters
    ----------
    angle_deg : float [deg]
        Angle turned.
    rate_deg_s : float [deg/s]
        Highest turn rate.
    acceleration_deg_s2 : float [deg/s2]
        Of speeding up and of slowing down.
    text : str
        The motion as it was asked for.

    Raises
    ------
    UsageError
        If one of the three is not above 0, or the turn would last longer than an hour.

    Examples
    --------
    >>> turn(180, 180, 720).duration_s
    1.25
    >>> turn(20, 180, 720).duration_s == 2 * (20 / 720) ** 0.5
    True
    """
    for value, what in (
        (angle_deg, "angle"), (rate_deg_s, "turn rate"), (acceleration_deg_s2, "acceleration"),
    ):  # fmt: skip
        if not (math.isfinite(value) and value > 0):
            raise UsageError(
                f"motion {text or 'turn'}: the {what} is {value:g}; it must be above 0 "
                "(left and right turns cost the same)"
            )
    peak = min(rate_deg_s, math.sqrt(angle_deg * acceleration_deg_s2))
    ramp = peak / acceleration_deg_s2
    cruise = max(angle_deg / peak - ramp, 0.0)
    if 2 * ramp + cruise > LONGEST_S:
        raise UsageError(f"motion {text or 'turn'}: the turn would last more than an hour")
    times, rates = [0.0, ramp, ramp + cruise, 2 * ramp + cruise], [0.0, peak, peak, 0.0]
    if cruise <= 1e-12 * ramp:
        times, rates = [0.0, ramp, 2 * ramp], [0.0, peak, 0.0]
    return Profile(text, np.array(times), np.radians(rates))


def _pieces(edges: Float, count: int) -> tuple[Float, Float]:
    """Midpoints and shares of about `count` stretches that never straddle an edge."""
    width = np.diff(edges)
    parts = np.maximum(np.ceil(count * width / width.sum()).astype(int), 1)
    piece = np.repeat(np.arange(len(width)), parts)
    within = np.arange(len(piece)) - np.repeat(np.cumsum(parts) - parts, parts)
    step = width[piece] / parts[piece]
    return edges[:-1][piece] + (within + 0.5) * step, step / width.sum()
