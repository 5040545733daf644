"""How the error of an integrated heading grows with time: bounded, square-root or linear."""

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.heading.age_distribution import leave_out
from looptime.heading.block_intervals import figure
from looptime.heading.pattern import BLOCKS
from looptime.records import dataclass
from looptime.stats.arrays import distinct

__all__ = ["CANNOT_TELL", "LAWS", "Growth", "growth"]

#: Powers of time.
LAWS = {"bounded": 0.0, "square-root": 0.5, "linear": 1.0}
CANNOT_TELL = "can't tell"
#: Errors below this are rounding of the arithmetic [rad].
ROUNDING = 1e-9


@dataclass(frozen=True)
class Growth:
    """The law of growth and its size."""

    law: str  #: A key of `LAWS`, or `CANNOT_TELL`
    power: Figure  #: Fitted power of time
    #: Of the root mean square error after one minute, by the law; undefined where the law is
    #: [rad], [rad/sqrt(min)] or [rad/min].
    coefficient: Figure

    @property
    def unit(self) -> str | None:
        """Unit of the coefficient in degrees."""
        return {"bounded": "deg", "square-root": "deg/sqrt(min)", "linear": "deg/min"}.get(self.law)


def growth(error: Float, spacing_s: float, shortest_s: float = 0.0) -> Growth:
    """Class the growth of an error from how far it moves within each length of time.

    The structure function ``S(t)^2 = mean((E(start + t) - E(start))^2)`` over every start follows
    ``t^(2 p)`` with p = 0, 1/2 and 1 for bounded, square-root and linear growth. The power is
    fitted to the logarithms at lags from 1/80 (or the shortest asked for) to 1/8 of the log, with
    an interval from leaving out blocks of starts. A law is named where its power is within the
    interval, or within 0.1 of the fit, and no other law is within the interval.

    Parameters
    ----------
    error : float array, shape (n,) or (n, strands) [rad]
        Error at evenly spaced times; strands are separate histories at the same times.
    spacing_s : float [s]
        Time from one error to the next.
    shortest_s : float [s]
        Shortest lag: the period of a motion that swings, within which every error grows.

    References
    ----------
    Structure functions of random walks; allied to the Allan variance of gyroscopes.

    Examples
    --------
    >>> growth(np.linspace(0.0, 1.0, 400), 0.5).law
    'linear'
    """
    strands = error.reshape(len(error), -1)
    longest = len(error) / 8
    least = max(len(error) / 80, shortest_s / spacing_s, 1.0)
    lags = distinct(np.geomspace(least, max(longest, least), 12).astype(int))
    nothing = Figure(0.0, 0.0, 0.0)
    if float(np.abs(strands - strands[0]).max(initial=0.0)) < ROUNDING:
        return Growth("bounded", nothing, nothing)
    if len(error) < 3 * BLOCKS or len(lags) < 3 or longest < 2 * least:
        return Growth(CANNOT_TELL, Figure(None), Figure(None))
    square, count = _structure(strands, lags)
    whole = np.sqrt(square.sum(axis=0) / count.sum(axis=0))
    parts = np.sqrt(leave_out(square) / leave_out(count))
    if not (np.all(whole > 0) and np.all(parts > 0)):
        return Growth(CANNOT_TELL, Figure(None), Figure(None))
    x = np.log(lags * spacing_s / 60.0)
    slope = (x - x.mean()) / np.sum((x - x.mean()) ** 2)
    power = figure(float(np.log(whole) @ slope), np.log(parts) @ slope)
    law = _law(power)
    if law == CANNOT_TELL:
        return Growth(law, power, Figure(None))
    level = figure(
        float(np.mean(np.log(whole) - LAWS[law] * x)),
        np.mean(np.log(parts) - LAWS[law] * x, axis=1),
    )
    values = [None if v is None else float(np.exp(v)) for v in (level.value, level.low, level.high)]
    return Growth(law, power, Figure(*values))


def _structure(strands: Float, lags: Int) -> tuple[Float, Float]:
    """Sums of squared moves and their number, by block of starts and lag."""
    n = len(strands)
    block = np.arange(n) * BLOCKS // n
    square = np.empty((BLOCKS, len(lags)))
    count = np.empty((BLOCKS, len(lags)))
    for i, lag in enumerate(lags):
        moved = strands[lag:] - strands[:-lag]
        at = block[: n - lag]
        square[:, i] = np.bincount(at, np.sum(moved * moved, axis=1), minlength=BLOCKS)
        count[:, i] = np.bincount(at, minlength=BLOCKS) * strands.shape[1]
    return square, count


def _law(power: Figure) -> str:
    if power.value is None or power.low is None or power.high is None:
        return CANNOT_TELL
    inside = [law for law, p in LAWS.items() if power.low <= p <= power.high]
    nearest = min(LAWS, key=lambda law: abs(LAWS[law] - float(power.value or 0.0)))
    if len(inside) > 1 or (inside and inside != [nearest]):
        return CANNOT_TELL
    return nearest if inside or abs(LAWS[nearest] - power.value) <= 0.1 else CANNOT_TELL
