"""Parts of loops laid one after another, where a log gives only how long each took."""

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.parsers.columns.inside import own
from looptime.parsers.layouts.contract import Parts

__all__ = ["lay_out"]


def lay_out(values: Int, given: Bool, parent: Int, names: list[str]) -> Parts:
    """Lay the parts of every loop one after another in the order of the columns.

    Parameters
    ----------
    values : int64 array, shape (n, k) [ns]
        Durations, 0 where none was logged.
    given : bool array, shape (n, k)
        Where one was.
    parent : int array, shape (k,)
        The column around each column, -1 for none.
    names : list of str
        Of the columns.

    Returns
    -------
    Parts
        An enclosing part starts with the first part in it.

    Examples
    --------
    >>> import numpy as np
    >>> parts = lay_out(np.array([[5, 3, 2, 4]]), np.ones((1, 4), bool),
    ...                 np.array([-1, 0, 0, -1]), ["drive", "read", "write", "log"])
    >>> parts.offset.tolist(), parts.self_ns.tolist(), parts.depth.tolist()
    ([0, 0, 3, 5], [0, 3, 2, 4], [0, 1, 1, 0])
    """
    loops, count = values.shape
    order, depth = _outer_first(parent)
    offset = np.zeros((loops, count), np.int64)
    reach = {-1: np.zeros(loops, np.int64)}  # how far each enclosing part is filled
    for column in order:
        around = int(parent[column])
        offset[:, column] = reach[around]
        reach[around] = reach[around] + values[:, column]
        reach[column] = offset[:, column].copy()
    self_ns = own(values, parent)
    flat = given[:, order].ravel()
    return Parts(
        loop=np.repeat(np.arange(loops), count)[flat],
        name=np.tile(np.asarray(order, np.int32), loops)[flat],
        offset=offset[:, order].ravel()[flat],
        duration=values[:, order].astype(np.int64).ravel()[flat],
        self_ns=self_ns[:, order].ravel()[flat],
        depth=np.tile(depth[order], loops)[flat],
        names=names,
    )


def _outer_first(parent: Int) -> tuple[list[int], NDArray[np.int16]]:
    """Columns with every enclosing one right before its parts, and how deep each lies."""
    order: list[int] = []
    depth = np.zeros(len(parent), np.int16)

    def add(around: int, level: int) -> None:
        for column in np.flatnonzero(parent == around):
            order.append(int(column))
            depth[column] = level
            add(int(column), level + 1)

    add(-1, 0)
    return order, depth
