"""Self time by loop and name: one pass over the calls, from which all sums are read off."""

from collections.abc import Iterator, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from looptime.array_types import Bool, Float, Int
from looptime.run import SelfPieces

__all__ = ["SelfTable"]

#: Cells of a block: what fits into the processor's cache, and products with four rows of weights
#: that the linear algebra library does not share out among threads.
_BLOCK = 1 << 16
#: A table with more cells than this a piece is made anew, block by block, when it is asked for.
_CELLS_A_PIECE = 2
#: One loop in so many is few.
_FEW = 8


class SelfTable:
    """Self time on the loop's thread, loop by name [ns].

    The numbers are whole nanoseconds in float64: sums of them are exact below 2^53 ns, which
    is 104 days. Where there are many names and few calls of each in a loop the table is not kept
    but made block by block.

    Parameters
    ----------
    pieces : SelfPieces
        ``run.self_pieces()``.
    loops, names : int
        Loops of the run, and its call names.

    Examples
    --------
    >>> loop, name = np.array([0, 0, 1]), np.array([0, 1, 0])
    >>> table = SelfTable(SelfPieces(np.arange(3), loop, name, np.array([5, 7, 6])), 2, 2)
    >>> table.series(0), table.by_loop()
    (array([5., 6.]), array([12.,  6.]))
    >>> table.weighted([[1, 1], [0, 1]])
    array([[11.,  7.],
           [ 6.,  0.]])
    """

    def __init__(self, pieces: SelfPieces, loops: int, names: int) -> None:
        self.loops, self.names = loops, names
        self._loop, self._name, self._own = _in_loop_order(pieces)
        self._step = max(_BLOCK // max(names, 1), 1)
        edges = np.arange(0, loops + self._step, self._step, dtype=self._loop.dtype)
        self._edges = np.searchsorted(self._loop, edges).tolist()
        self._kept: Int | None = None
        if loops * names <= _CELLS_A_PIECE * len(self._loop) + 8 * _BLOCK:
            self._kept = self._filled()

    def _filled(self) -> Int:
        """All of the table; in 32 bits as long as no cell holds more than two seconds."""
        kept: Int = np.empty((self.loops, self.names), np.int32)
        most = np.iinfo(np.int32).max
        for part, block in self.blocks():
            if kept.dtype == np.int32 and block.size and np.abs(block).max() > most:
                kept = kept.astype(np.float64)
            kept[part] = block
        return kept

    def blocks(self) -> Iterator[tuple[slice, Float]]:
        """The table in turn: which loops, and their rows; shape (loops of the block, names)."""
        for k, first in enumerate(range(0, self.loops, self._step)):
            part = slice(first, min(first + self._step, self.loops))
            if self._kept is None:
                yield part, self._made(k, part)
            else:
                yield part, self._kept[part].astype(np.float64)

    def _made(self, k: int, part: slice) -> Float:
        count = part.stop - part.start
        mine = slice(self._edges[k], self._edges[k + 1])
        cell = (self._loop[mine] - part.start) * self.names + self._name[mine]
        block = np.bincount(cell, self._own[mine], count * self.names)
        return block.astype(np.float64, copy=False).reshape(count, self.names)

    def weighted(self, weights: Sequence[ArrayLike] | Float) -> Float:
        """Sum of each name's self times, each times the weight of its loop.

        Parameters
        ----------
        weights : k arrays, shape (loops,)
            Zeros and ones, or booleans, pick loops.

        Returns
        -------
        float array, shape (k, names) [ns x weight]
        """
        every = [np.asarray(w) for w in weights]
        total = np.zeros((len(every), self.names))
        for part, block in self.blocks():
            total += np.stack([w[part].astype(np.float64, copy=False) for w in every]) @ block
        return total

    def over(self, loops: Bool) -> Float:
        """Self time of each name over some loops; shape (names,) [ns].

        Of few loops from their own pieces, of most from all and the few that are left: the sums
        are exact, so that each way leads to the same.

        Parameters
        ----------
        loops : bool array, shape (loops,)
            Which.
        """
        some = np.flatnonzero(loops)
        if _FEW * len(some) <= self.loops:
            _, name, own = self.pieces_in(some)
            return np.bincount(name, own, self.names).astype(np.float64, copy=False)
        if _FEW * (self.loops - len(some)) <= self.loops:
            return self.sums - self.over(~loops)
        return self.weighted([loops])[0]

    @cached_property
    def sums(self) -> Float:
        """Self time of each name in all loops; shape (names,) [ns]."""
        return self.weighted([np.broadcast_to(1.0, self.loops)])[0]

    def by_loop(self, names: ArrayLike | None = None) -> Float:
        """Self time in each loop, of all names or of those marked; shape (loops,) [ns]."""
        marked = np.ones(self.names) if names is None else np.asarray(names, dtype=np.float64)
        total = np.zeros(self.loops)
        for part, block in self.blocks():
            total[part] = block @ marked
        return total

    def series(self, name: int) -> Float:
        """Self time of one name in each loop; shape (loops,) [ns]."""
        if self._kept is not None:
            return self._kept[:, name].astype(np.float64)
        mine = self._name == name
        return np.bincount(self._loop[mine], self._own[mine], self.loops).astype(np.float64)

    def pieces_in(self, loops: Int) -> tuple[Int, Int, Int]:
        """Pieces in some loops: place in `loops`, name, self time [ns].

        Parameters
        ----------
        loops : int array, shape (k,)
            Rising.
        """
        wanted = np.asarray(loops, self._loop.dtype)  # else the search would copy all pieces
        first = np.searchsorted(self._loop, wanted)
        count = np.searchsorted(self._loop, wanted, "right") - first
        place = np.repeat(np.arange(len(loops)), count)
        row = np.arange(len(place)) + np.repeat(first - np.cumsum(count) + count, count)
        return place, self._name[row], self._own[row]


def _in_loop_order(pieces: SelfPieces) -> tuple[Int, Int, Int]:
    """Loop, name and self time of the pieces; those that reach into later loops in their place."""
    loop, name, own = pieces.loop, pieces.name, pieces.self_ns
    if (loop[1:] >= loop[:-1]).all():
        return loop, name, own
    order = np.argsort(loop, kind="stable")
    return loop[order], name[order], own[order]
