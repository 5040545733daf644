"""Columns that say how many loops a second there are: a clock or periods beside them."""

import re

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.columns.evidence import counts_rows
from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.rated import clocks_of
from looptime.parsers.text.dialect import Dialect, is_number, numbers
from looptime.units import split_unit

__all__ = ["PER_S", "by_loop_rates", "period_of"]

PER_S = {"ns": 1e9, "us": 1e6, "ms": 1e3, "s": 1.0}
#: Rows that tell a clock by what stands beside it.
_ENOUGH = 20
#: Loops that pass from one row to the next from which on a rate is that of many.
_MANY = 5.0
_RATE = re.compile(
    r"^(?:loop|main|control|cycle|update|frame|robot)?[\s_.]*(?:fps|hz|rate|freq|frequency)"
    r"[\s_.]*[\[(]?(?:fps|hz)?[\])]?$",
    re.IGNORECASE,
)
_PERIOD = re.compile(r"^(?:main|control)?[\s_]*(?:loop|cycle|period|dt|total|frame)"
                     r"[\s_]*(?:time|period|duration|total|dt)?$", re.IGNORECASE)  # fmt: skip


def by_loop_rates(grid: Grid, like: Dialect, path: str) -> list[str]:
    """Bring the rates of a grid's loops to times, in place; what was done.

    Raises
    ------
    LogError
        If many loops pass from one row to the next: each rate sums them up.
    """
    rates = [at for at, name in enumerate(grid.names) if _RATE.match(name.strip())]
    if not rates or period_of(grid) is not None:
        return []
    _refuse_many(grid, like, rates, path)
    if clocks_of(grid, like, []):
        return []
    clock = _clock_beside(grid, like, rates)
    return [one for one in (clock, "" if clock else _as_period(grid, like, rates)) if one]


def _refuse_many(grid: Grid, like: Dialect, rates: list[int], path: str) -> None:
    """Refuse rows of which each holds the rate of the many loops since the one before."""
    for at, name in enumerate(grid.names):
        unit, step = split_unit(name)[1], np.diff(numbers(like, at))
        if at in rates or unit is None or len(step) < _ENOUGH or not (step > 0).mean() > 0.9:
            continue
        for rate in rates:
            passed = step / PER_S[unit] * numbers(like, rate)[1:]
            many = float(np.nanmedian(passed)) if np.isfinite(passed).any() else 0.0
            if many >= _MANY and not _counted(grid, like, many, (at, rate)):
                raise LogError(
                    f"each row holds a rate ({grid.names[rate]!r}) of about {many:.3g} loops since "
                    "the row before, so nothing is known of single loops: log the time of every "
                    "loop, such as time_ms", path,
                )  # fmt: skip


def _counted(grid: Grid, like: Dialect, many: float, but: tuple[int, int]) -> bool:
    """Whether another column counts the loops that pass: each row is one of them."""
    steps = (np.diff(numbers(like, at)) for at in range(len(grid.names)) if at not in but)
    return any(bool(0.7 < np.nanmedian(step) / many < 1.4) for step in steps
               if np.isfinite(step).any())  # fmt: skip


def _clock_beside(grid: Grid, like: Dialect, rates: list[int]) -> str:
    """The one column that rises by as much as one over a rate beside it is a clock."""
    for at, name in enumerate(grid.names):
        values = numbers(like, at)
        if split_unit(name)[1] or at in rates or counts_rows(values) or len(values) < _ENOUGH:
            continue
        step = np.diff(values)
        for rate in rates if (step > 0).all() else ():
            hz = numbers(like, rate)[1:]
            for unit, in_s in PER_S.items():
                beside = step / in_s * hz
                if 0.8 < np.nanmedian(beside) < 1.25:
                    grid.names[at] = f"{name} time [{unit}]"
                    return f"{name!r} rises by one over {grid.names[rate]!r} in {unit}: a clock"
    return ""


def _as_period(grid: Grid, like: Dialect, rates: list[int]) -> str:
    """The first rate that varies as the periods of the loops."""
    for at in rates:
        name, values = grid.names[at], _known(numbers(like, at))
        if len(np.unique(values)) < 4:
            continue
        if (values >= 0.2).mean() > 0.95 and values.max() <= 50_000:
            cells = [f"{1000 / float(c):.6f}" if is_number(c) and float(c) > 0 else ""
                     for c in grid.cells(at)]  # fmt: skip
            grid.put(at, cells)
            grid.names[at] = "period [ms]"
            return (f"the period is one over {name!r}: where that is an average of several loops, "
                    "single long ones are flattened")  # fmt: skip
    return ""


def _known(values: Float) -> Float:
    return values[np.isfinite(values)]


def period_of(grid: Grid) -> int | None:
    """The column that holds the loop's length."""
    for at, name in enumerate(grid.names):
        stem, unit = split_unit(name)
        if unit and _PERIOD.match(stem.strip()):
            return at
    return None
