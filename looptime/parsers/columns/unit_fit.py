"""How a unit that a line states of a column fits the loop: what no loop can be, and what may."""

from typing import Literal

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import goes_level
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.lexicon import CLOCKS_OR_LENGTHS, meaning
from looptime.parsers.columns.rising import only_rises
from looptime.parsers.columns.unit import LONGEST_NS, SHORTEST_NS, usual_unit
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.units import UNITS, split_unit

__all__ = ["SLOWEST_NS", "Fit", "fit_of", "loop_ns", "means_of", "step_of"]

Fit = Literal["fits", "another", "none", "unknown"]

#: Below this, a slow loop is believed where its unit is stated, as one that waters benches.
SLOWEST_NS = 4 * LONGEST_NS
#: A length so many times the loop is none in it, and one so short may as well be in the next unit.
_FAR_LONGER, _FAR_SHORTER = 100, 1 / 200
#: What may well be longer than a loop.
_MAY_BE_LONG = ("latency", "setting", "deviation", "counter", "group", "heading", "turn rate")
#: Share of the steps by which values rise.
_RISE = 0.9
#: From one half of the rows to the other, values that stay go less of the way between quartiles.
_WAY = 0.5


def means_of(dialect: Dialect, at: int) -> str:
    """What a header says of its column; a word for a time or a length is a clock's if it rises.

    One for a clock is the period's where values stay about one level: ``T`` of a loop.
    """
    name = (dialect.header or ())[at]
    means = meaning(name) if name else "bare"
    if means == "clock" and _stays(dialect, at):
        return "period"
    if means == "clock" or not any(h.word in CLOCKS_OR_LENGTHS for h in heads((name,))):
        return means
    return "clock" if only_rises(numbers(dialect, at)) else means


def step_of(dialect: Dialect, at: int) -> float:
    """What a clock usually goes on by from row to row; 0 where it does not."""
    steps = _steps(dialect, at)
    return float(np.median(steps)) if len(steps) else 0.0


def loop_ns(dialect: Dialect, named: dict[str, str]) -> float | None:
    """How long a loop usually is by the clock [ns]: in its unit, or in the one that makes it one.

    Parameters
    ----------
    dialect : Dialect
        Of the log.
    named : dict of str to str
        Units that are stated of columns.
    """
    header = dialect.header or ()
    clock = next((at for at in range(len(header)) if means_of(dialect, at) == "clock"), None)
    lasts = next((at for at, name in enumerate(header) if name and _stays(dialect, at)
                  and meaning(name) == "clock"), None)  # fmt: skip
    at = lasts if clock is None else clock
    if at is None:
        return None
    steps = _steps(dialect, at) if clock is not None else _known(dialect, at)
    if not len(steps):
        return None
    step, unit = float(np.median(steps)), split_unit(header[at])[1] or named.get(header[at], "")
    if unit and SHORTEST_NS <= step * UNITS[unit] < SLOWEST_NS:
        return step * UNITS[unit]
    usual = usual_unit(step)
    return step * UNITS[usual] if usual else None


def fit_of(dialect: Dialect, at: int, unit: str, loop: float | None) -> Fit:
    """Whether a unit fits a column: ``another`` would fit better, or it can be none of its own.

    Parameters
    ----------
    dialect : Dialect
        Of the log.
    at : int
        Place of the column.
    unit : str
        What is stated of it.
    loop : float [ns] or None
        How long a loop usually is.
    """
    means = means_of(dialect, at)
    if means == "clock":
        steps = _steps(dialect, at)
        if not len(steps):
            return "unknown"
        step = float(np.median(steps))
        usual, plausible = usual_unit(step), SHORTEST_NS <= step * UNITS[unit] <= LONGEST_NS
        return "fits" if usual in (unit, "") else "another" if plausible else "none"
    values = numbers(dialect, at)
    values = values[np.isfinite(values) & (values != 0)]
    if means in _MAY_BE_LONG or len(values) < 3 or (np.diff(values) > 0).mean() > _RISE:
        return "fits"
    if loop is None:
        return "unknown"
    share = float(np.median(np.abs(values))) * UNITS[unit] / loop
    if share > _FAR_LONGER:
        return "none"
    return "another" if share < _FAR_SHORTER and unit != "s" else "fits"


def _stays(dialect: Dialect, at: int) -> bool:
    """Whether values stay about one level, and go nowhere: those of a clock out of order do."""
    values = _known(dialect, at)
    if not goes_level(values):
        return False
    low, high = np.quantile(values, [0.25, 0.75])
    half = len(values) // 2
    way = abs(float(np.median(values[half:]) - np.median(values[:half])))
    return way <= _WAY * float(high - low)


def _known(dialect: Dialect, at: int) -> Float:
    values = numbers(dialect, at)
    return values[np.isfinite(values)]


def _steps(dialect: Dialect, at: int) -> Float:
    """What a clock goes on by from row to row."""
    steps = np.diff(numbers(dialect, at))
    return steps[steps > 0]
