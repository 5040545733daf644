"""Wraps undone in a table, for layouts that must compare its instants before loops are found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.parsers.clock.steps import Steps, Way, find_steps
from looptime.parsers.columns.unit import Unit
from looptime.parsers.text.table import Key, Table

__all__ = ["unwrap"]

Int = NDArray[Any]


def unwrap(
    table: Table, roles: Sequence[Key], unit: Unit, thread: Int | None = None
) -> tuple[dict[str, object], ...]:
    """Let instants go on where their counter wrapped.

    Parameters
    ----------
    table : Table
        Its columns are replaced where there is a wrap.
    roles : sequence of Key
        Columns of instants; the first one rises from row to row, the others follow it in the row.
    unit : Unit
        Of these columns.
    thread : int array, shape (n,), optional
        Codes of threads whose rows stand in order each.

    Returns
    -------
    tuple of dict
        For `looptime.run.Clock.wraps`.
    """
    time = table.columns[roles[0]]
    if len(time) < 3 or (time[1:] >= time[:-1]).all():
        return ()
    groups = [np.arange(len(time))]
    if thread is not None:
        groups = [np.flatnonzero(thread == code) for code in np.unique(thread)]
    found: list[dict[str, object]] = []
    add = np.zeros(len(time), np.int64)
    modulus = 0
    for mine in groups:
        steps = _steps(time[mine], unit)
        for at, ns in steps.shift:
            add[mine[at:]] += ns
            modulus = ns
        if not found:
            found = [
                {"line": _line(table, int(mine[s.at])), "size_ns": s.size_ns, "note": s.note}
                for s in steps.steps
                if s.kind == "wrap"
            ]
    if found:
        for role in roles:
            table.columns[role] = table.columns[role] + add
        _within(table, roles, modulus)
    return tuple(found)


def _within(table: Table, roles: Sequence[Key], modulus: int) -> None:
    """Undo wraps that fall between two instants of one row."""
    first = table.columns[roles[0]]
    for role in roles[1:] if modulus > 0 else ():
        late = table.columns[role] < first - modulus // 2
        table.columns[role] = np.where(late, table.columns[role] + modulus, table.columns[role])


def _steps(time: Int, unit: Unit) -> Steps:
    step = np.diff(time)
    ahead = step[step > 0]
    if len(ahead) < 2:
        return Steps()
    # instants within a loop are unevenly spaced: a wrap may fall into the longest stretch
    return find_steps(time, Way(unit.name, unit.ns), typical=float(np.quantile(ahead, 0.95)))


def _line(table: Table, row: int) -> int:
    return int(table.line_of(np.array([row]))[0])
