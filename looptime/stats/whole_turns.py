"""Angles that begin anew at each turn: how much a turn is, and the angle without its jumps."""

import math

import numpy as np

from looptime.stats.arrays import Float

__all__ = ["USUAL_TURNS", "suspected", "turn_of", "unwound"]

#: Turns that angles are logged in: degrees, radians, turns, parts of them, powers of two.
USUAL_TURNS = (360.0, 2 * math.pi, 1.0, 400.0, 3600.0, 36000.0, 1000 * 2 * math.pi,
          *(2.0**bits for bits in range(8, 25)))  # fmt: skip
#: How far a jump may be from a turn, how far the values may range, and how far a row may go, as
#: shares of a turn; the last within this share of the rows.
_NEAR, _SPAN, _ROW, _MOST = 0.15, 1.05, 0.4, 0.99
#: Of so many parts of the range these are visited, since a value that switches between two ends is
#: no angle; but nothing else jumps by 360 or by two pi that hardly moves from row to row.
_PARTS, _VISITED = 10, 7
#: Jumps from which the range says what a turn is, how alike they are, and how near a usual turn.
_FEWEST, _ALIKE, _SNAPS = 3, 0.03, 0.02
#: Share of the range from which a step may be a turn, where none is told.
_SUSPECT = 0.8


def turn_of(value: Float) -> float | None:
    """By how much an angle jumps where it begins anew; None where the values show no such thing.

    From row to row it goes by a small part of a turn, but now and then by nearly all that it ever
    ranges over, from one end to the other, and it visits what lies between.

    Parameters
    ----------
    value : float array, shape (n,)
        In any unit; NaN where there is none.

    Examples
    --------
    >>> turning = 7.0 * np.arange(200)
    >>> [turn_of(x) for x in (turning, turning % 360, (turning + 180) % 360 - 180)]
    [None, 360.0, 360.0]
    >>> turn_of(turning / 360 % 1), turn_of(np.floor(turning * 10) % 4096)
    (1.0, 4096.0)
    >>> turn_of(np.tile([0.0, 0, 1, 1], 50)) is None  # a switch
    True
    """
    known = value[np.isfinite(value)]
    if len(known) < _PARTS:
        return None
    low, high = (float(x) for x in np.quantile(known, [0.001, 0.999]))
    size = np.abs(np.diff(known))
    if not low < high or not (size > _SUSPECT * (high - low)).any():
        return None
    for turn in USUAL_TURNS[:3]:
        if high - low <= _SPAN * turn and _shown(known, low, high, turn):
            return turn
    return _by_range(known, low, high)


def _shown(value: Float, low: float, high: float, turn: float) -> bool:
    """Whether values jump by a turn, and else go by small parts of it through all of them."""
    size = np.abs(np.diff(value))
    jumps = np.abs(size - turn) <= _NEAR * turn
    if not jumps.any() or jumps.all():
        return False
    usual = size[~jumps]
    if float(np.quantile(usual, _MOST)) > _ROW * turn:
        return False
    landed = float(np.median(np.abs(size[jumps] - turn)))
    within = 3 * float(np.quantile(usual, 0.9)) + 0.01 * turn
    seam = turn in USUAL_TURNS[:2] and float(np.quantile(usual, _MOST)) <= _NEAR * turn / 3
    return landed <= within and (seam or _filled(value, low, high))


def _filled(value: Float, low: float, high: float) -> bool:
    parts = np.clip((value - low) / (high - low) * _PARTS, 0, _PARTS - 1).astype(int)
    return len(np.unique(parts)) >= _VISITED


def _by_range(value: Float, low: float, high: float) -> float | None:
    """The turn by jumps over the whole range that are alike, and go against the way beside."""
    step = np.diff(value)
    at = np.flatnonzero(np.abs(step) > _SUSPECT * (high - low))
    at = at[(at > 0) & (at < len(step) - 1)]
    if len(at) < _FEWEST:
        return None
    beside = (step[at - 1] + step[at + 1]) / 2
    turns = np.abs(step[at] - beside)
    turn = float(np.median(turns))
    # all that they range over is nearer, where no value is garbled: they visit both ends often
    every = float(np.ptp(value)) + float(np.abs(step[step != 0]).min())
    turn = every if abs(every / turn - 1) < _SNAPS else turn
    turn = next((one for one in USUAL_TURNS if abs(turn / one - 1) < _SNAPS), turn)
    against = (np.sign(beside) != np.sign(step[at])).mean()
    alike = float(np.median(np.abs(turns - turn))) <= _ALIKE * turn
    told = alike and against >= 0.8 and high - low <= _SPAN * turn
    return turn if told and _shown(value, low, high, turn) else None


def unwound(value: Float, turn: float | None) -> Float:
    """An angle that goes on where it began anew; values that are none stay where they are.

    Examples
    --------
    >>> unwound(np.array([350.0, np.nan, 5.0]), 360.0).tolist()
    [350.0, nan, 365.0]
    """
    if turn is None:
        return value
    there = np.isfinite(value)
    made = np.array(value, dtype=np.float64)
    made[there] = np.unwrap(made[there], period=turn)
    return made


def suspected(value: Float) -> float | None:
    """The largest step, where it is most of the range: maybe a turn that nothing else shows.

    Examples
    --------
    >>> suspected(np.array([0.0, 90.0, 200.0, 10.0])), suspected(np.arange(9.0))
    (190.0, None)
    """
    known = value[np.isfinite(value)]
    if len(known) < 3:
        return None
    most = float(np.abs(np.diff(known)).max())
    return most if most > _SUSPECT * float(np.ptp(known)) > 0 else None
