"""Sizes of an error that runs evenly through cells: its distribution and quantiles.

A part of the time in which the error's size runs evenly from ``low`` to ``high`` adds
``w ((g - low)+ - (g - high)+) / (high - low)`` to the time at or below a size ``g``. All parts at
once are two running sums over a grid of sizes (`cdf_on_grid`).
"""

from collections.abc import Callable
from typing import Literal

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float, Int
from looptime.heading.age_distribution import leave_out
from looptime.heading.block_intervals import figure
from looptime.records import dataclass

__all__ = ["Sizes", "cdf_on_grid", "quantile_from_cdf", "sizes_of"]

#: Sizes of error passed over in the first look for a quantile.
_STRIDE = 40
#: A part is taken to be at least this wide, as a share of the largest size.
_NARROWEST = 1e-7
#: Cells worked out at once: so many as stay near the processor.
_CELLS = 64


@dataclass(frozen=True)
class Sizes:
    """The size of the error in each cell of ages, for each moment of the motion."""

    grid: Float  #: Sizes of error, ascending, shape (v,) [rad]
    #: Ends of the size in each cell, at each moment, shape (m, p) [rad].
    low: Float
    high: Float
    #: Share of the motion that the moment stands for, over the width, shape (m, p) [1/rad].
    density: Float
    #: Places of the ends on the grid, shape (m, p).
    from_: Int
    to: Int
    #: Share of the motion at or below each size, by cell, float array, shape (v, m), optional.
    table: Float | None = None

    def quantile(self, cells: Float, share: float) -> Figure:
        """Quantile of the error's size over time, with its interval [rad].

        Parameters
        ----------
        cells : float array, shape (BLOCKS, m) [s]
            Time in each cell of ages.
        share : float
            0.95 for p95.
        """
        time = cells.sum(axis=1)
        goals = share * leave_out(time)

        def holds(by_block: Float) -> bool:
            left = leave_out(by_block)
            return bool(np.all(left[:, 0] <= goals) and np.all(left[:, -1] >= goals))

        grid, by_block = self._around(cells, share * float(time.sum()), holds)
        return quantile_from_cdf(grid, by_block, share, time)

    def value(self, cells: Float, share: float) -> float:
        """The same quantile without its interval."""
        goal = share * float(cells.sum(axis=1).sum())

        def holds(by_block: Float) -> bool:
            first, last = by_block[:, [0, -1]].sum(axis=0)
            return bool(first < goal < last)

        grid, by_block = self._around(cells, goal, holds)
        return _crossing(grid, by_block.sum(axis=0), goal)

    def _around(
        self, cells: Float, goal: float, holds: Callable[[Float], bool]
    ) -> tuple[Float, Float]:
        """As much of the grid about where all time reaches a goal as holds it; time by block."""
        near = self._near(cells.sum(axis=0), goal)
        for reach in (16, 160, len(self.grid)):
            around = slice(max(near - reach, 0), near + reach + 1)
            by_block = _dot(cells, self._rows(around))
            if holds(by_block):
                break
        return self.grid[around], by_block

    def _near(self, whole: Float, goal: float) -> int:
        """About where on the grid the whole time reaches a goal."""
        if self.table is None:
            reached = self._running(whole[:, None] * self.density, 0, len(self.grid))[0]
            return int(np.searchsorted(reached, goal))
        # a coarse look at every 40th size, then at all within 40
        last = _first(self.table[::_STRIDE], whole, goal) * _STRIDE
        first = max(last - _STRIDE, 0)
        return first + _first(self.table[first : last + 1], whole, goal)

    def _rows(self, around: slice) -> Float:
        """Rows of the table, at hand or not; shape (sizes, m)."""
        if self.table is not None:
            return self.table[around]
        first, last, _ = around.indices(len(self.grid))
        return self._by_cell(first, last - first, "F")

    def _by_cell(self, first: int, sizes: int, order: Literal["C", "F"] = "C") -> Float:
        """The share of each cell at or below so many sizes; shape (sizes, m)."""
        made = np.empty((sizes, len(self.low)), order=order)
        for at in range(0, len(self.low), _CELLS):
            some = slice(at, at + _CELLS)
            made[:, some] = self._running(self.density[some], first, sizes, some).T
        return made

    def _running(self, density: Float, first: int, sizes: int, cells: slice | None = None) -> Float:
        """The share of all, or of each of some cells, at or below so many sizes."""
        grid = self.grid[first : first + sizes]
        groups = 1 if cells is None else len(density)
        base = np.arange(groups)[:, None] * (sizes + 1)
        ends = []
        for value, place in ((self.low, self.from_), (self.high, self.to)):
            some = slice(None) if cells is None else cells
            at = base + np.clip(place[some] - first, 0, sizes)
            ends.append(_passed(at.ravel(), value[some].ravel(), density.ravel(), grid, groups))
        return ends[0] - ends[1]


def sizes_of(errors: list[Float], shares: Float, grid: Float, tabulate: bool = False) -> Sizes:
    """The sizes of errors that run evenly from each age to the next.

    Parameters
    ----------
    errors : list of float array, shape (n + 1, p) [rad]
        By age and moment of the motion.
    shares : float array, shape (p,)
        Share of the motion that each moment stands for.
    grid : float array, shape (v,) [rad]
        Ascending, the last at least the largest size.
    tabulate : bool
        Whether to work out the shares of every cell beforehand.

    Returns
    -------
    Sizes
        The cells of the first error, then those of the next.

    Examples
    --------
    One moment, errors from 0 to 1 and on to 3: of equal times in both cells, three quarters are
    below 2.

    >>> found = sizes_of([np.array([[0.0], [1.0], [3.0]])], np.ones(1), np.geomspace(0.5, 3.0, 99))
    >>> round(found.quantile(np.ones((20, 2)), 0.75).value, 3)
    2.0
    """
    low = np.concatenate([_lower(e) for e in errors])
    high = np.concatenate([np.maximum(np.abs(e[:-1]), np.abs(e[1:])) for e in errors])
    high = np.maximum(high, low + _NARROWEST * grid[-1])
    made = Sizes(
        grid, low, high, shares / (high - low),
        np.searchsorted(grid, low), np.searchsorted(grid, high),
    )  # fmt: skip
    if not tabulate:
        return made
    table = made._by_cell(0, len(grid))
    return Sizes(grid, low, high, made.density, made.from_, made.to, table)


def _lower(error: Float) -> Float:
    """Least size on the way from each age to the next."""
    size = np.abs(error)
    return np.where(error[:-1] * error[1:] < 0, 0.0, np.minimum(size[:-1], size[1:]))


def _dot(cells: Float, rows: Float) -> Float:
    """Product over the cells, of which most hold no time; shapes (..., m) and (k, m)."""
    met = np.flatnonzero(cells.reshape(-1, cells.shape[-1]).any(axis=0))
    some = slice(met[0], met[-1] + 1) if len(met) else slice(0)
    # small products: a threaded linear-algebra library would lose more than it gains
    return np.einsum("...j,kj->...k", cells[..., some], rows[:, some])


def _first(below: Float, whole: Float, goal: float) -> int:
    return int(np.searchsorted(_dot(whole, below), goal))


def _passed(at: Int, value: Float, density: Float, grid: Float, groups: int) -> Float:
    """Sum of ``density (g - value)+`` at each grid value, by group; shape (groups, v)."""
    v = len(grid)
    shape = (groups, v + 1)
    count = np.bincount(at, density, minlength=groups * (v + 1)).reshape(shape)[:, :v]
    total = np.bincount(at, density * value, minlength=groups * (v + 1)).reshape(shape)[:, :v]
    passed: Float = np.cumsum(count, axis=1, dtype=np.float64)
    passed *= grid
    passed -= np.cumsum(total, axis=1)
    return passed


def cdf_on_grid(
    low: Float, high: Float, weight: Float, group: Int, groups: int, grid: Float
) -> Float:
    """Weight of uniform distributions at or below each grid value, by group.

    Parameters
    ----------
    low, high, weight : float array, shape (k,)
        Ends and weight of each.
    group : int array, shape (k,)
        Group of each part.
    groups : int
        Number of groups.
    grid : float array, shape (v,)
        Ascending, evenly spaced in the logarithm, the last at least ``max(high)``.

    Returns
    -------
    float array, shape (groups, v)

    Examples
    --------
    >>> grid = np.array([0.5, 1.0, 2.0])
    >>> cdf_on_grid(np.zeros(1), np.ones(1), np.ones(1), np.zeros(1, int), 1, grid).tolist()
    [[0.5, 1.0, 1.0]]
    """
    high = np.maximum(high, low + _NARROWEST * grid[-1])
    density = weight / (high - low)
    base = group * (len(grid) + 1)
    begun, ended = (
        _passed(base + np.searchsorted(grid, value), value, density, grid, groups)
        for value in (low, high)
    )
    return begun - ended


def quantile_from_cdf(
    grid: Float, by_block: Float, share: float, time: Float | None = None
) -> Figure:
    """Quantile with its interval from the blocks' distribution functions on a grid.

    Parameters
    ----------
    grid : float array, shape (v,)
        Ascending.
    by_block : float array, shape (BLOCKS, v) [s]
        Time at or below each grid value.
    share : float
        0.95 for p95.
    time : float array, shape (BLOCKS,) [s], optional
        Total time of each block; else the last column.
    """
    time = by_block[:, -1] if time is None else time
    value = _crossing(grid, by_block.sum(axis=0), share * time.sum())
    left = leave_out(by_block)
    goals = share * leave_out(time)
    if np.any(goals <= 0):
        return Figure(value)
    each = np.array([_crossing(grid, row, goal) for row, goal in zip(left, goals, strict=True)])
    return figure(value, each, positive=True)


def _crossing(grid: Float, cdf: Float, goal: float) -> float:
    at = int(np.searchsorted(cdf, goal))
    if at == 0:
        return float(grid[0])
    if at >= len(grid):
        return float(grid[-1])
    return float(
        grid[at - 1] + (grid[at] - grid[at - 1]) * (goal - cdf[at - 1]) / (cdf[at] - cdf[at - 1])
    )
