"""Which signal a measured value is to follow: by its name, else by how the value follows it."""

import re

import numpy as np

from looptime.array_types import Bool, Float
from looptime.signal_names import TARGET_WORDS

__all__ = ["followed", "target_of"]

_WORDS = re.compile(r"[^a-z0-9]+")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])")
#: While the output is cut at an end, the target lies beyond the value that way in this share.
_BEYOND = 0.9
#: Correlation with the value that comes after it, and how much more that is than without a lag.
_ALIKE, _BETTER = 0.7, 1e-3
#: The target's span against the value's own.
_SPANS = (0.5, 10.0)
#: Lags that are tried: rows, at most so many, and fewest rows of all.
_LAGS, _FEWEST = 200, 50


def _split(name: str) -> set[str]:
    words = {w for w in _WORDS.split(_CAMEL.sub(" ", name).lower()) if w}
    return words | {w.rstrip("0123456789") for w in words}


def target_of(names: list[str], output: str, measured: str) -> str | None:
    """The signal that a measured value is to follow, by its name; None where none or several are.

    Examples
    --------
    >>> target_of(["mast.goal_m", "drive.goal_rpm", "drive.rpm", "drive.v"], "drive.v", "drive.rpm")
    'drive.goal_rpm'
    >>> target_of(["want_m_s", "wheelSpeed", "duty"], "duty", "wheelSpeed")
    'want_m_s'
    """
    mine = _split(measured)
    found = sorted(
        (-len(mine & words), name) for name in names
        if name not in (output, measured) and TARGET_WORDS & (words := _split(name))
    )  # fmt: skip
    if not found or (len(found) > 1 and (found[0][0] == found[1][0] or not found[0][0])):
        return None
    return found[0][1]


def followed(values: dict[str, Float], value: Float, cut: Float) -> str | None:
    """The one signal that a value follows with a lag, where no name says so; None without one.

    While an output is cut, its target lies beyond the value that way: else it would not be cut.
    Of another sensor of the same thing that is no more often true than not.

    Parameters
    ----------
    values : dict of str to float array, shape (n,)
        Signals that may be it.
    value : float array, shape (n,)
        The measured value.
    cut : float array, shape (n,)
        1 or -1 where the output stands at an end, else 0.

    Examples
    --------
    A value that climbs to each step of another and falls short of it while the output is cut.

    >>> wanted = np.repeat([0.0, 8.0, 2.0, -6.0, 3.0] * 4, 20)
    >>> value = np.zeros(len(wanted))
    >>> for k in range(1, len(wanted)):
    ...     value[k] = value[k - 1] + np.clip(wanted[k - 1] - value[k - 1], -0.5, 0.5)
    >>> cut = np.sign(wanted - value) * (np.abs(wanted - value) > 0.5)
    >>> followed({"a": wanted, "b": -wanted, "c": value + 0.01 * np.sin(wanted)}, value, cut)
    'a'
    """
    there = cut != 0
    if len(value) < _FEWEST or not there.any():
        return None
    found = [name for name, one in values.items() if _may_be(one, value, cut, there)]
    return found[0] if len(found) == 1 else None


def _may_be(one: Float, value: Float, cut: Float, there: Bool) -> bool:
    known = np.isfinite(one).all()
    if not known or not _SPANS[0] * np.ptp(value) <= np.ptp(one) <= _SPANS[1] * np.ptp(value):
        return False
    if ((cut * (one - value))[there] > 0).mean() < _BEYOND:
        return False
    at_once, later = _likeness(one, value)
    return later >= _ALIKE and later > at_once + _BETTER


def _likeness(one: Float, value: Float) -> tuple[float, float]:
    """Correlation of a signal with the value in the same row, and with a later one at best."""
    most = min(_LAGS, len(value) // 4)
    lags = np.unique(np.geomspace(1, most, 30).astype(int))
    best = max(float(np.corrcoef(one[:-lag], value[lag:])[0, 1]) for lag in lags)
    return float(np.corrcoef(one, value)[0, 1]), best
