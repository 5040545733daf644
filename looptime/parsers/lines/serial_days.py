"""Instants as a spreadsheet keeps them: days since 1900, with the time as a fraction."""

import re
from decimal import Decimal, localcontext

import numpy as np

from looptime.parsers.columns.unit import LONGEST_NS, SHORTEST_NS
from looptime.parsers.lines.grid import Grid
from looptime.parsers.text.dialect import Dialect, is_number, numbers

__all__ = ["by_serial_days", "may_be_days"]

#: A day from 1982 to 2064, and decimals that tell milliseconds.
_DAY = r"[345]\d{4}[.,]\d{7,}"
_IN_A_ROW, _CELL = re.compile(rf"(?<![\d.]){_DAY}"), re.compile(_DAY)
_DAY_S, _ENOUGH = 86_400, 20


def may_be_days(row: str) -> bool:
    """Whether a row holds what may be such an instant.

    Examples
    --------
    >>> may_be_days("46450,4321005796;2;7,1"), may_be_days("46450.43,2"), may_be_days("12.0,2")
    (True, False, False)
    """
    return _IN_A_ROW.search(row) is not None


def by_serial_days(grid: Grid, like: Dialect) -> str:
    r"""Bring the one column of such instants to seconds since midnight, in place; what was done.

    It only rises, by steps that are a loop's.

    Examples
    --------
    >>> from looptime.parsers.lines.cell_rows import table_grid
    >>> from looptime.parsers.text.sniff import sniff
    >>> log = ["when,imu_ms", *(f"{46450.5 + k * 5.787037e-7:.10f},2" for k in range(30))]
    >>> grid = table_grid(log, sniff("\n".join(log), "a.csv"))
    >>> by_serial_days(grid, sniff("\n".join(log), "a.csv"))
    "'when' holds days since 1900: read as seconds since that midnight"
    >>> grid.names[0], grid.rows[2][0]
    ('when [s]', '43200.050000')
    """
    for at, name in enumerate(grid.names):
        cells = [cell.strip() for cell in grid.cells(at) if cell.strip()]
        if len(cells) < _ENOUGH or not all(map(_CELL.fullmatch, cells[:_ENOUGH])):
            continue
        step = np.diff(numbers(like, at)) * _DAY_S * 1e9
        if not (step >= 0).mean() > 0.9 or not SHORTEST_NS <= np.median(step) <= LONGEST_NS:
            continue
        with localcontext(prec=30):
            midnight = int(Decimal(cells[0]))
            grid.put(at, [f"{(Decimal(cell) - midnight) * _DAY_S:.6f}" if is_number(cell) else cell
                          for cell in grid.cells(at)])  # fmt: skip
        grid.names[at] = f"{name} [s]"
        return f"{name!r} holds days since 1900: read as seconds since that midnight"
    return ""
