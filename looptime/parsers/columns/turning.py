"""The unit of a turn rate, told by how a heading moves meanwhile."""

import numpy as np

from looptime.array_types import Float, Int
from looptime.stats.whole_turns import turn_of, unwound
from looptime.units import NS_PER_S

__all__ = ["FASTEST_RAD_S", "rate_unit"]

#: Faster than this no robot turns [rad/s].
FASTEST_RAD_S = 40.0
#: Rows over which a turn rate is summed, fewest such stretches, and how well they must go together.
_ROWS, _FEWEST, _TOGETHER = 8, 10, 0.8
#: How near the heading's way must be to the rate's, as a factor.
_NEAR = 1.25
#: A value is garbled beyond so many times what 99 of 100 stay within.
_GARBLED = 20


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
    known = np.isfinite(heading) & np.isfinite(rate)
    for values in (heading, rate):  # what is garbled would outweigh all others
        high = float(np.quantile(np.abs(values[known]), 0.99)) if known.any() else 0.0
        known &= (np.abs(values) <= _GARBLED * high) | (high == 0)
    if known.sum() < _ROWS * _FEWEST:
        return None
    time, value, speed = time_ns[known] / NS_PER_S, heading[known], rate[known]
    turn = 360.0 if in_degrees else turn_of(value)
    turn = turn if turn in (360.0, 2 * np.pi) else None
    way = np.append(0.0, np.cumsum(np.diff(time) * (speed[1:] + speed[:-1]) / 2))
    x, y = (np.diff(one[::_ROWS]) for one in (way, unwound(value, turn)))
    both = float(x @ y)
    size = float(np.sqrt((x @ x) * (y @ y)))
    if not size > 0 or abs(both) < _TOGETHER * size:
        return None
    slope = abs(both) / float(x @ x)
    degree = float(np.degrees(1.0))
    of_turn = {360.0: {"deg/s": 1.0, "rad/s": degree}, None: {"rad/s": degree, "deg/s": 1 / degree}}
    # the heading's way for each of the rate's unit
    ways = of_turn.get(turn, {"deg/s": 1 / degree, "rad/s": 1.0})
    near = (unit for unit, wanted in ways.items() if 1 / _NEAR < slope / wanted < _NEAR)
    return next(near, None)
