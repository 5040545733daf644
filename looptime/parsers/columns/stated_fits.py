"""Whether what is stated of logs without a header may be true of one: its values must bear it."""

from collections.abc import Iterator

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.columns.unit import is_plausible
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.stated_columns import StatedColumns
from looptime.units import UNITS

__all__ = ["refuse_unfit"]

#: Rows from which on values tell, and by how much numbers of loops go on at most from row to row.
_ENOUGH, _NUMBERS = 10, 100
#: What a part is of the clock's step at most, as a rule, and how near a step must be to a whole
#: number of periods: rows may stand for one loop of several.
_LONGER, _NEAR = 1.5, 0.1
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
    step = None
    for index in range(dialect.fields):
        word, unit = stated.role(index)
        if word == "clock":
            steps = _steps(dialect, index)
            if len(steps) and (steps > 0).mean() < 0.5:
                yield f"column {index + 1}, its clock, does not rise"
            elif unit in UNITS and len(steps) and not is_plausible(steps, UNITS[unit]):
                usual = float(np.median(steps[steps > 0]))
                yield f"column {index + 1}, its clock, steps by {usual:.6g} {unit}, as no loop does"
            elif unit in UNITS and len(steps):
                step = float(np.median(steps[steps > 0])) * UNITS[unit]
        if word == "loop number":
            steps = np.abs(_steps(dialect, index))
            if len(steps) and np.median(steps) > _NUMBERS:
                yield f"column {index + 1}, its number of the loop, goes on by {np.median(steps):g}"
    for index in range(dialect.fields) if step else ():
        word, unit = stated.role(index)
        values = numbers(dialect, index)
        values = values[np.isfinite(values)]
        if unit not in UNITS or not len(values) or not step:
            continue
        usual = float(np.median(values)) * UNITS[unit]
        if word in _PARTS and usual > _LONGER * step:
            yield (f"column {index + 1}, a {word}, is {usual / 1e6:.4g} ms as a rule where the "
                   f"clock steps by {step / 1e6:.4g}")  # fmt: skip
        if word == "period" and not _whole_times(step, usual):
            yield (f"column {index + 1}, its period, is {usual / 1e6:.4g} ms as a rule where the "
                   f"clock steps by {step / 1e6:.4g}")  # fmt: skip


def _steps(dialect: Dialect, index: int) -> Float:
    values = numbers(dialect, index)
    return np.diff(values[np.isfinite(values)])


def _whole_times(step: float, period: float) -> bool:
    """Whether a step is about a period long, or several."""
    times = step / period if period > 0 else 0.0
    return round(times) >= 1 and abs(times - round(times)) <= _NEAR
