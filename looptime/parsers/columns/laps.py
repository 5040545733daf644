"""Instants within the loop: laps counted from its start, or of a counter that wraps with it."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import marked, rises
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import tokens
from looptime.parsers.columns.unit import in_16_bits
from looptime.parsers.text.dialect import Dialect, numbers

__all__ = ["find_laps", "wrapping_instants"]

_LAPS = frozenset(("lap", "split", "mark", "checkpoint"))
#: Share of the rows in which laps follow one another.
_MOST = 0.99


def find_laps(found: list[Head], dialect: Dialect) -> dict[int, int]:
    r"""The column from which each lap of a loop counts on; no column where none is one.

    Parameters
    ----------
    found : list of Head
        Columns of a log of one row a loop.
    dialect : Dialect
        With its first rows.

    Returns
    -------
    dict of int to int
        By place in the row: column of the lap before, -1 for the first.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{20 * k},{2 + k % 3},{9 - k % 2}\n" for k in range(30))
    >>> like = sniff("t_ms,after_gyro_ms,after_drive_ms\n" + rows, "a.csv")
    >>> find_laps(heads(like.header), like)
    {1: -1, 2: 1}
    """
    named = [h for h in found if marked(h).side == "end" or _LAPS & set(tokens(h.text))]
    named = [h for h in named if marked(h).stem or marked(h).side != "end"]
    laps = [h for h in named if _within_the_loop(numbers(dialect, h.index))]
    if len(laps) < 2 or len({h.unit for h in laps}) > 1:
        return {}
    values = np.stack([numbers(dialect, h.index) for h in laps])
    order = np.argsort(np.nanmedian(values, axis=1), kind="stable")
    values = values[order]
    whole = values[:, np.isfinite(values).all(axis=0)]
    if whole.shape[1] < 3 or not ((np.diff(whole, axis=0) >= 0).all(axis=0)).mean() >= _MOST:
        return {}
    places = [laps[at].index for at in order]
    return dict(zip(places, [-1, *places[:-1]], strict=True))


def _within_the_loop(values: Float) -> bool:
    """Whether values begin anew with each row."""
    return bool(np.isfinite(values).any()) and not rises(values)


def wrapping_instants(found: list[Head], dialect: Dialect) -> tuple[Head, ...]:
    """Instants of a counter of 16 bits that wraps every few loops, in the order of time; or none.

    Each is one, and they follow one another within every row, counted on from the first.
    """
    ours = [h for h in found if in_16_bits(_known(h, dialect))]
    if len(ours) < 2 or len({h.unit for h in ours}) > 1:
        return ()
    values = np.stack([numbers(dialect, h.index) for h in ours])
    values = values[:, np.isfinite(values).all(axis=0)]
    if values.shape[1] < 20 or (np.diff(values[0]) < 0).mean() < 0.02:
        return ()  # a counter that hardly ever wraps rises
    on = (values - values[0]) % 2**16
    order = np.argsort(np.median(on, axis=1), kind="stable")
    on, step = on[order], np.diff(values[order[0]]) % 2**16
    orderly = (np.diff(on, axis=0) >= 0).all(axis=0)[:-1] & (on[-1, :-1] <= 1.02 * step + 2)
    return tuple(ours[at] for at in order) if orderly.mean() >= 0.98 else ()


def _known(head: Head, dialect: Dialect) -> Float:
    values = numbers(dialect, head.index)
    return values[np.isfinite(values)]
