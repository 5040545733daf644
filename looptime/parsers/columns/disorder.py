"""Instants that are not in the order of time: how they stand, told from lengths by their values."""

from bisect import bisect_left

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import rises

__all__ = ["disordered", "go_back", "one_block"]

#: Fewest values that tell by falling throughout, and by falling but for a few, that they are
#: instants.
_FEW_FALL, _FEW_MOSTLY = 6, 10
#: Shortest block that stands again, places at which its end is looked for, the share of the values
#: that it tells, and the share of its steps that fall where the newest stands first.
_LEAST_BLOCK, _BLOCKS, _BLOCK_ALIKE, _BLOCK_FALLS = 3, 50, 0.9, 0.7
#: From so many values on, of which as many are unlike: most sequences that rise, of which a log is
#: mixed, and the share of the steps that turn where stretches go one way.
_FEW_MIXED, _UNLIKE, _SEQUENCES, _TURNS = 40, 0.3, 4, 0.08
#: So many values tell it.
_LOOKED_AT = 20_000


def disordered(values: Float, *, grows: bool = False) -> str:
    """How instants stand that are not in the order of time; empty where they rise, or are none.

    Instants of a loop are evenly spread once they are sorted: few are far closer together than
    most, while lengths crowd at random. Two logs line by line rise from every second row to the
    next; a few mixed anyhow, or rows that stand in their places again later, are a few sequences
    that rise, and stretches turned round go one way for long, as lengths never do.

    Parameters
    ----------
    values : float64 array, shape (n,)
        First values of a column.
    grows : bool
        Whether they may as well be lengths of which each is a little longer than the one before.

    Returns
    -------
    str
        The end of a sentence that begins with "its times".

    Examples
    --------
    >>> import numpy as np
    >>> time = 20.0 * np.arange(60) + np.arange(60) % 3
    >>> disordered(time[::-1])
    'fall from row to row: put the oldest row first'
    >>> disordered(np.stack([time, time + 700], axis=1).ravel())
    'rise only from every 2nd row to the next, as where 2 logs stand line by line: take them apart'
    >>> disordered(time), disordered(9 + np.random.default_rng(1).random(60))
    ('', '')
    """
    known = values[np.isfinite(values)]
    block = one_block(known)
    if len(block) < len(known) and (np.diff(block) < 0).mean() >= _BLOCK_FALLS:
        return (
            f"fall from row to row, and the same {len(block)} rows stand there again and again: "
            "keep each once, the oldest first"
        )
    if len(known) < _FEW_FALL or rises(known):
        return ""
    step = np.diff(known)
    if (step < 0).all() or (
        len(known) >= _FEW_MOSTLY and (step < 0).mean() >= 0.9 and (step <= 0).mean() >= 0.97
    ):
        return "fall from row to row: put the oldest row first"
    for count, nth in ((2, "2nd"), (3, "3rd"), (4, "4th")):
        if len(known) > 5 * count and (known[count:] > known[:-count]).mean() >= 0.95:
            return (
                f"rise only from every {nth} row to the next, as where {count} logs stand line by "
                "line: take them apart"
            )
    if not grows and _is_mixed(known):
        return go_back(known)
    apart = np.diff(np.unique(known))
    if len(known) < 50 or len(apart) < 0.9 * (len(known) - 1):
        return ""
    low, middle = np.quantile(apart, [0.05, 0.5])
    if low < 0.3 * middle:
        return ""
    return go_back(known)


def one_block(values: Float) -> Float:
    """The first values, up to where all the others say nothing but them again; else all.

    Examples
    --------
    >>> one_block(np.array([7.0, 5, 1, 7, 5, 1, 7, 5])), one_block(np.array([7.0, 5, 1, 7, 4, 2]))
    (array([7., 5., 1.]), array([7., 5., 1., 7., 4., 2.]))
    """
    again = np.flatnonzero(values[1:] == values[:1]) + 1
    for at in again[(again >= _LEAST_BLOCK) & (2 * again <= len(values))][:_BLOCKS].tolist():
        if (values[at:] == values[:-at]).mean() >= _BLOCK_ALIKE:
            return values[:at]
    return values


def go_back(values: Float) -> str:
    """The same for instants that step back again and again, whatever the reason."""
    share = float((np.diff(values) < 0).mean())
    return f"go back in {100 * share:.0f} % of the rows, in no order: sort the rows by time"


def _is_mixed(known: Float) -> bool:
    """Whether values are a few sequences that rise or fall, one row of any at a time, or in turn.

    Of lengths at random a hundred make some twenty sequences, and two in three steps turn.
    """
    known = known[:_LOOKED_AT]
    if len(known) < _FEW_MIXED or len(np.unique(known)) < _UNLIKE * len(known):
        return False
    step = np.diff(known)
    way = np.sign(step[step != 0])
    if (way[1:] != way[:-1]).mean() <= _TURNS:
        return True
    return any(_sequences(values, _SEQUENCES) <= _SEQUENCES for values in (known, -known))


def _sequences(values: Float, most: int) -> int:
    """Fewest sequences that never fall into which values can be taken apart; not past `most` + 1.

    Examples
    --------
    >>> import numpy as np
    >>> [_sequences(np.array(v), 4) for v in ([1.0, 2, 2, 3], [1.0, 7, 2, 8, 9, 3], [3.0, 2, 1])]
    [1, 2, 3]
    """
    ends: list[float] = []  # negative, so that they stand in order: the last of each sequence
    for value in (-values).tolist():
        at = bisect_left(ends, value)
        ends[at : at + 1] = [value]
        if len(ends) > most:
            break
    return len(ends)
