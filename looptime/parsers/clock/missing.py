"""Rows that are missing, as the numbers of those that are left tell."""

import numpy as np

from looptime.array_types import Int
from looptime.records import dataclass

__all__ = ["Missing", "find_missing", "harmed"]

#: Numbers of which fewer than this share go up by one count something else.
_MOSTLY = 0.4
#: Where more loops than this share lack a row, none is left out for it.
_MOST_LEFT_OUT = 0.5


@dataclass(frozen=True)
class Missing:
    """How many rows are missing, and the places of the rows before and after each gap."""

    count: int
    before: Int
    after: Int


def find_missing(number: Int | None, thread: Int | None = None) -> Missing | None:
    """Find gaps in the numbers of rows, of the whole log or of each thread.

    Parameters
    ----------
    number : int array, shape (n,), or None
        As logged, negative where a row has none.
    thread : int array, shape (n,), or None
        Codes of threads.

    Examples
    --------
    >>> import numpy as np
    >>> found = find_missing(np.array([4, 5, 6, 9, 10, 11]))
    >>> found.count, found.before.tolist(), found.after.tolist()
    (2, [2], [3])
    >>> find_missing(np.array([0, 1, 0, 2, 1, 3]), np.array([0, 0, 1, 0, 1, 0])) is None
    True
    """
    if number is None or len(number) < 3 or bool((np.diff(number) == 1).all()):
        return None
    if number.min() < 0:
        return None
    order = np.argsort(number, kind="stable")
    if thread is not None and (np.diff(number[order]) == 0).any():  # each thread counts its own
        order = np.lexsort((number, thread))
    step = np.diff(number[order].astype(np.int64))
    if thread is not None:
        step[np.diff(thread[order]) != 0] = 1
    if (step == 1).mean() < _MOSTLY or (step == 0).any():
        return None
    gap = np.flatnonzero((step > 1) & (step <= len(number)))
    if not len(gap):
        return None
    return Missing(int((step[gap] - 1).sum()), order[gap], order[gap + 1])


def harmed(
    found: Missing, before: Int, after: Int, loops: int
) -> tuple[str, tuple[Int, Int] | None]:
    """What is said of missing rows, and between which instants loops are not whole for it.

    Parameters
    ----------
    found : Missing
        As `find_missing` gives it.
    before, after : int64 array, shape (k,) [ns]
        For each gap the instant from which and up to which a loop lacks rows; none where `before`
        is the later of the two.
    loops : int
        About how many loops there are.

    Returns
    -------
    note : str
    missing : tuple of int64 array, or None
        None where so many loops lack rows that leaving them out would leave nothing.
    """
    many = "rows are" if found.count > 1 else "row is"
    said = f"{found.count} {many} missing, as the sequence numbers tell"
    concerned = before <= after
    if concerned.sum() > _MOST_LEFT_OUT * loops:
        return f"{said}, in most loops: costs a loop are too low", None
    if not concerned.any():
        return said, None
    note = f"{said}: the loops around them are left out"
    return note, (before[concerned], after[concerned])
