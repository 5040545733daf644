"""What a controller is asked to follow, as functions of the time since the move began."""

import math

import numpy as np

from looptime.array_types import Float, Int
from looptime.controllers import Target
from looptime.records import dataclass

__all__ = ["Path", "path_of"]

#: Cycles of a sine that are followed.
CYCLES = 3


@dataclass(frozen=True)
class Path:
    """A target over time: at rest at 0 before the move, quadratic pieces, or a sine."""

    begins_s: Float  #: When each piece begins; the first at 0, the last lasts for ever; shape (p,)
    #: Value, slope and second derivative at the beginning of each piece, shape (p,).
    value: Float
    rate: Float
    change: Float
    end_s: float  #: When the target has done moving; a ramp and a sine are followed no longer
    comes_to_rest: bool  #: Whether it then stays, so that one can settle on it
    #: Of a sine; else 0.
    amplitude: float = 0.0
    hz: float = 0.0

    @property
    def final(self) -> float:
        """Where it comes to rest."""
        return float(self.value[-1])

    def at(self, time: Float) -> Float:
        """Target; 0 before the move."""
        if self.hz:
            return np.where(time >= 0, self.amplitude * np.sin(2 * math.pi * self.hz * time), 0.0)
        piece, since = self._piece(time)
        value = self.value[piece] + since * (self.rate[piece] + 0.5 * self.change[piece] * since)
        return np.where(time >= 0, value, 0.0)

    def rate_at(self, time: Float) -> Float:
        """How fast the target changes; 0 before the move."""
        if self.hz:
            w = 2 * math.pi * self.hz
            return np.where(time >= 0, self.amplitude * w * np.cos(w * time), 0.0)
        piece, since = self._piece(time)
        return np.where(time >= 0, self.rate[piece] + self.change[piece] * since, 0.0)

    def _piece(self, time: Float) -> tuple[Int, Float]:
        piece = np.searchsorted(self.begins_s, time, side="right") - 1
        return piece, time - self.begins_s[piece]


def path_of(target: Target) -> Path:
    """The path of a target.

    Examples
    --------
    A trapezoid of 1 m at 1 m/s and 2 m/s2: half a second to reach the speed, half to hold it.

    >>> from looptime.controllers import parse_target
    >>> path = path_of(parse_target("trapezoid:1,1,2"))
    >>> path.begins_s.tolist(), path.at(np.array([0.75])).tolist()
    ([0.0, 0.5, 1.0, 1.5], [0.5])
    """
    first, *rest = target.numbers
    if target.kind == "trapezoid":
        return _trapezoid(first, rest[0], rest[1])
    zero = np.zeros(1)
    if target.kind == "sine":
        return Path(zero, zero, zero, zero, CYCLES / rest[0], False, first, rest[0])
    if target.kind == "ramp":
        return Path(zero, zero, np.array([first]), zero, rest[0], False)
    return Path(zero, np.array([first]), zero, zero, 0.0, True)


def _trapezoid(distance: float, speed: float, acceleration: float) -> Path:
    way, sign = abs(distance), math.copysign(1.0, distance)
    top = min(speed, math.sqrt(way * acceleration))
    rise = top / acceleration
    hold = max(way / top - rise, 0.0)
    begins = np.cumsum([0.0, rise, hold, rise])
    value = sign * np.array([0.0, top * rise / 2, way - top * rise / 2, way])
    rate = sign * np.array([0.0, top, top, 0.0])
    change = sign * np.array([acceleration, 0.0, -acceleration, 0.0])
    return Path(begins, value, rate, change, float(begins[-1]), True)
