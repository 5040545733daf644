"""Whether what is stated of logs without a header may be true of one: its values must bear it."""

from collections.abc import Iterator, Mapping

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.columns.unit import is_plausible
from looptime.parsers.columns.wraps import goes_round, going_on
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.stated_columns import StatedColumns
from looptime.units import UNITS

__all__ = ["refuse_unfit"]

#: Rows from which on values tell, and by how much numbers of loops go on at most from row to row.
_ENOUGH, _NUMBERS = 10, 100
#: What a part is of the clock's step at most, as a rule, and how near a step must be to a whole
#: number of periods: rows may stand for one loop of several.
_LONGER, _NEAR = 1.5, 0.1
#: Values by which it is told that a stated clock wraps: its true tick matters little here.
_FIRST = 200
#: Share of the steps that fall from which on a clock does not rise, and that is nearly all.
_SOME, _ALL_ALIKE = 0.2, 0.9
_PARTS = ("part", "whole")


def refuse_unfit(stated: StatedColumns, dialect: Dialect, path: str) -> None:
    """Refuse columns that cannot be what the project file states of a log without a header.

    Nothing but the number of its columns says that the table is about it.

    Parameters
    ----------
    stated : StatedColumns
        What the project file says.
    dialect : Dialect
        How the log is written, with its first rows.
    path : str
        The log.

    Raises
    ------
    LogError
        With what does not fit, and what to do.
    """
    if len(dialect.sample) < _ENOUGH:
        return
    why = next(_misfits(stated, dialect), None)
    if why is None:
        return
    rest = "" if stated.files else ', or add files = "..." there, with the names of those it is of'
    raise LogError(
        f"has no header, and what the project file states of {stated.header!r} does not fit it: "
        f"{why}; name its columns with --columns, correct that table{rest}",
        path,
        dialect.first_row,
    )


def _misfits(stated: StatedColumns, dialect: Dialect) -> Iterator[str]:
    """What cannot be, column by column, in words."""
    words = {index: stated.role(index) for index in range(dialect.fields)}
    if (clock := next((at for at, (word, _) in words.items() if word == "clock"), None)) is None:
        yield from _of_numbers(words, dialect, 0.0)
        return
    unit = UNITS.get(words[clock][1] or "", 0)
    steps = _steps(dialect, clock, unit)
    onward = steps[steps > 0]
    if _falls(steps):
        yield f"column {clock + 1}, its clock, does not rise"
    if not unit or not len(onward) or not len(steps[steps < 0]) <= len(onward):
        yield from _of_numbers(words, dialect, 0.0)
        return
    usual, mean = float(np.median(onward)), float(np.mean(steps[steps >= 0]))
    if not any(word == "period" for word, _ in words.values()) and not is_plausible(steps, unit):
        yield (f"column {clock + 1}, its clock, steps by {usual:.6g} {words[clock][1]}, as no "
               "loop does")  # fmt: skip
    yield from _of_numbers(words, dialect, usual * unit)
    for index, (word, length) in words.items():
        values = numbers(dialect, index) * UNITS.get(length or "", np.nan)
        known = values[np.isfinite(values)]
        if not len(known) or word not in (*_PARTS, "period"):
            continue
        typical, long = float(np.median(known)), max(usual, mean) * unit
        if word in _PARTS and typical > _LONGER * long:
            yield (f"column {index + 1}, a {word}, is {typical / 1e6:.4g} ms as a rule where the "
                   f"clock steps by {long / 1e6:.4g}")  # fmt: skip
        if word == "period" and not _goes_with(known, steps * unit, _numbered(words, dialect)):
            yield (f"column {index + 1}, its period, is {typical / 1e6:.4g} ms as a rule where the "
                   f"clock steps by {usual * unit / 1e6:.4g}")  # fmt: skip


def _of_numbers(
    words: Mapping[int, tuple[str, str | None]], dialect: Dialect, step: float
) -> Iterator[str]:
    """What cannot be of numbers of loops, whose clock steps by so many ns, or nothing known.

    Where one row of many loops is logged, as many are passed each time, at a pace of loops.
    """
    for index, (word, _) in words.items():
        on = np.abs(_steps(dialect, index)) if word == "loop number" else np.zeros(0)
        usual = float(np.median(on)) if len(on) else 0.0
        each = bool((on == usual).mean() >= _ALL_ALIKE) if len(on) else False
        of_loops = step > 0 and each and is_plausible(np.array([step / max(usual, 1.0)]), 1)
        if usual > _NUMBERS and not of_loops:
            yield f"column {index + 1}, its number of the loop, goes on by {usual:g}"


def _steps(dialect: Dialect, index: int, unit: int = 0) -> Float:
    """Steps from row to row, across the wraps of a clock of so many ns in one."""
    values = numbers(dialect, index)
    values = values[np.isfinite(values)]
    size = goes_round(values[:_FIRST], unit) if unit else None
    return np.diff(going_on(values)) if size is None else np.diff(values) % size


def _falls(steps: Float) -> bool:
    """Whether values fall often and do not always: those of a coarse clock may long stand still.

    Rows from the newest to the oldest are refused by themselves, with what helps.
    """
    moved = steps[steps != 0]
    return len(moved) > 0 and bool(_SOME <= (moved < 0).mean() <= _ALL_ALIKE)


def _numbered(words: Mapping[int, tuple[str, str | None]], dialect: Dialect) -> float:
    """How many loops a row stands for by the numbers of the loops; 0 where there are none."""
    index = next((at for at, (word, _) in words.items() if word == "loop number"), None)
    on = np.zeros(0) if index is None else _steps(dialect, index)
    return float(np.median(on)) if len(on) else 0.0


def _goes_with(periods: Float, steps: Float, loops: float) -> bool:
    """Whether steps [ns] are about as long as periods, or several: of single rows or on average.

    A coarse clock's mean is off by up to a tick over the whole time.
    """
    steps = steps[steps >= 0]
    usual, mean = float(np.median(steps)), float(np.mean(steps))
    period, of_mean = float(np.median(periods)), float(np.mean(periods))
    if period <= 0:
        return False
    room = _NEAR + float(steps.max() / steps.sum())
    if loops >= 1:
        return abs(mean / loops / of_mean - 1) <= room
    near = [(usual / period, _NEAR), (mean / of_mean, room)]
    return any(round(times) >= 1 and abs(times - round(times)) <= off for times, off in near)
