"""The unit of a heading and of a turn rate that no header states, by how they move."""

import numpy as np

from looptime.array_types import Float, Int
from looptime.signal_names import ANGLE_UNITS
from looptime.stats.whole_turns import USUAL_TURNS, turn_of, unwound
from looptime.units import NS_PER_S

__all__ = ["FASTEST_RAD_S", "heading_unit", "rate_unit"]

#: Faster than this no robot turns [rad/s].
FASTEST_RAD_S = 40.0
#: Rows over which a turn rate is summed, fewest such stretches, and how well they must go together.
_ROWS, _FEWEST, _TOGETHER = 8, 10, 0.8
#: How near the heading's way must be to the rate's, as a factor.
_NEAR = 1.25
#: A value is garbled beyond so many times what 99 of 100 stay within.
_GARBLED = 20
_DEGREES = float(np.degrees(1.0))
#: Units of angles by the turn at which they begin anew.
_BY_TURN = {360 / ANGLE_UNITS[unit]: unit for unit in ("deg", "rad", "rev")}
#: The heading's way for one of the rate's, by the units of the two.
_WAYS = {("deg", "deg/s"): 1.0, ("rad", "rad/s"): 1.0, ("deg", "rad/s"): _DEGREES,
         ("rad", "deg/s"): 1 / _DEGREES}  # fmt: skip


def heading_unit(
    time_ns: Int, heading: Float, rate: Float | None = None, unit: str | None = None
) -> tuple[float, str, str] | None:
    """Degrees in one of a heading's unit that nobody states, the unit, and what tells it, if any.

    Its jumps tell a turn of it; a turn rate beside it what it goes by, where the rate's unit is
    known or another one; whole numbers are no radians, nor is what would turn faster than a robot.

    Parameters
    ----------
    time_ns : int64 array, shape (n,) [ns]
        When it was logged.
    heading : float array, shape (n,)
        As logged; NaN where there is no value.
    rate : float array, shape (n,), optional
        A turn rate beside it.
    unit : str, optional
        ``deg/s`` or ``rad/s``, the rate's where it is stated.

    Examples
    --------
    >>> k = np.arange(400)
    >>> heading_unit(k * 20_000_000, 0.05 * k % 6.283)[1:], heading_unit(k * 20_000_000, 0.05 * k)
    (('rad', 'it jumps by 6.28'), None)
    >>> heading_unit(k * 20_000_000, 1.5 * k)
    (1.0, 'deg', 'its 75 a second are too fast for rad')
    """
    turn = turn_of(heading)
    if turn in USUAL_TURNS:
        of_turn = f"1/{turn:.6g} of a turn"
        return 360 / turn, _BY_TURN.get(turn, of_turn), f"it jumps by {turn:.3g}"
    slope = None if rate is None else _way_for_rate(time_ns, heading, rate, None)
    fits: set[str] = set() if slope is None else {
        angle for (angle, of_rate), way in _WAYS.items()
        if unit in (None, of_rate) and 1 / _NEAR < slope / way < _NEAR
    }  # fmt: skip
    if len(fits) == 1:
        angle = fits.pop()
        return ANGLE_UNITS[angle], angle, "so it goes with the turn rate"
    known = np.isfinite(heading)
    value, time = heading[known], time_ns[known] / NS_PER_S
    if len(value) <= _ROWS or not np.ptp(value) > 0:
        return None
    if np.all(value == np.rint(value)):
        return 1.0, "deg", "it is logged in whole numbers"
    lapse, way = time[_ROWS:] - time[:-_ROWS], np.abs(value[_ROWS:] - value[:-_ROWS])
    with np.errstate(over="ignore"):  # a garbled heading
        speed = way[lapse > 0] / lapse[lapse > 0]
    speed = speed[np.isfinite(speed)]
    fastest = float(np.quantile(speed, 0.99)) if len(speed) else 0.0
    if fastest <= FASTEST_RAD_S:
        return None
    return 1.0, "deg", f"its {fastest:.3g} a second are too fast for rad"


def rate_unit(
    time_ns: Int, heading: Float, rate: Float, in_degrees: bool = False
) -> str | None:  # fmt: skip
    """``deg/s`` or ``rad/s``: the unit in which a turn rate adds up to a heading's way.

    A heading of an unknown unit that jumps by 360 is in degrees, one that jumps by 6.28 in radians;
    else only units that differ tell themselves apart, by a factor of 57.3 between the two.

    Parameters
    ----------
    time_ns : int64 array, shape (n,) [ns]
        When both were logged.
    heading, rate : float array, shape (n,)
        As logged; NaN where there is no value.
    in_degrees : bool
        Whether the heading is known to be in degrees.

    Examples
    --------
    >>> k = np.arange(400)
    >>> heading = 90 * np.sin(k / 50)
    >>> rate_unit(k * 20_000_000, heading, np.radians(90) * np.cos(k / 50))
    'rad/s'
    >>> rate_unit(k * 20_000_000, heading, 90 * np.cos(k / 50), in_degrees=True)
    'deg/s'
    >>> rate_unit(k * 20_000_000, heading, 90 * np.cos(k / 50))
    """
    turn = 360.0 if in_degrees else turn_of(heading)
    turn = turn if turn in (360.0, 2 * np.pi) else None
    angle = None if turn is None else _BY_TURN[turn]
    slope = _way_for_rate(time_ns, heading, rate, turn)
    if slope is None:
        return None
    near = {unit for (of_heading, unit), way in _WAYS.items()
            if angle in (None, of_heading) and 1 / _NEAR < slope / way < _NEAR}  # fmt: skip
    return near.pop() if len(near) == 1 else None


def _way_for_rate(time_ns: Int, heading: Float, rate: Float, turn: float | None) -> float | None:
    """How far a heading goes for one of what a turn rate adds up to; None if not together."""
    known = np.isfinite(heading) & np.isfinite(rate)
    for values in (heading, rate):  # what is garbled would outweigh all others
        high = float(np.quantile(np.abs(values[known]), 0.99)) if known.any() else 0.0
        known &= (np.abs(values) <= _GARBLED * high) | (high == 0)
    if known.sum() < _ROWS * _FEWEST:
        return None
    time, value, speed = time_ns[known] / NS_PER_S, heading[known], rate[known]
    way = np.append(0.0, np.cumsum(np.diff(time) * (speed[1:] + speed[:-1]) / 2))
    x, y = (np.diff(one[::_ROWS]) for one in (way, unwound(value, turn)))
    both = float(x @ y)
    size = float(np.sqrt((x @ x) * (y @ y)))
    if not size > 0 or abs(both) < _TOGETHER * size:
        return None
    return abs(both) / float(x @ x)
