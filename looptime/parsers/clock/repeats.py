"""Rows that stand in a log again: written twice, or a whole block pasted once more."""

from collections.abc import Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Int
from looptime.records import dataclass

__all__ = ["Repeats", "find_repeats", "met_again", "same_as_before"]

_NONE = np.empty(0, np.int64)
#: A row that is met more often than this tells nothing of where it comes from.
_RARE = 8
#: Nor does a step that is met in more than this share of the rows.
_EVEN = 0.9
#: Bits by which a block must beat the chance that its rows happen to be alike.
_SURE_BITS = 20
#: Distances at which rows are compared to see how often neighbours are alike by chance.
_LAGS = range(2, 7)
#: Fewest rows that tell it.
_TELL_CHANCE = 12
#: Shortest block.
_FEWEST = 3


@dataclass(frozen=True)
class Repeats:
    """Places of rows that say nothing new."""

    twice: Int = field(default_factory=lambda: _NONE)  #: Rows like the one before them
    #: First row of a block that stood in the log before, and the row after its last.
    pasted: list[tuple[int, int]] = field(default_factory=list)

    def places(self) -> Int:
        """Every row of the pasted blocks."""
        return np.concatenate([_NONE, *(np.arange(low, high) for low, high in self.pasted)])


def find_repeats(
    columns: Sequence[Int], time: Int | None = None, sure: bool = True, number: Int | None = None
) -> Repeats:
    """Find rows that stand in a log again.

    A row like the one before it was written twice, if that is sure (it holds an instant or a
    number that no two rows share) or, without a clock, far more frequent than rows alike at other
    distances. A block
    that stood in the log before was pasted, if chance does not make its rows: with p the share of
    rows like one of them, the sum of -log2 p over the block must reach 20 bits. Without a clock
    every two places of the n may be alike by chance, so that 2 log2 n bits more are asked for, and
    rows that are met time and again tell nothing. With one, a row counts by its step: a counter
    that wraps shows the same instants again. Within a loop whose rows have its number chance has
    few places, and the number says nothing of how rare a row is.

    Parameters
    ----------
    columns : sequence of array, shape (n,)
        All that is known of the rows beside the clock, numbers among them.
    time : int64 array, shape (n,), or None [ns]
        The clock.
    sure : bool
        Whether no two neighbouring rows of the log can be alike.
    number : int64 array, shape (n,), optional
        The loop of each row, where several rows have the same and there is no clock.

    Examples
    --------
    >>> import numpy as np
    >>> row = np.random.default_rng(1).integers(0, 10**6, 200)
    >>> find_repeats([np.insert(row, 7, row[6])]).twice.tolist()
    [7]
    >>> find_repeats([np.concatenate([row, row[50:90]])]).pasted
    [(200, 240)]
    """
    columns = [column for column in columns if column.strides != (0,)]
    every = [*columns, *(column for column in (time, number) if column is not None)]
    if not every or len(every[0]) < _FEWEST:
        return Repeats()
    code = _codes(every)
    twice = np.flatnonzero(code[1:] == code[:-1]) + 1
    if not sure and time is not None:
        twice = _NONE
    elif not sure:
        once = np.delete(code, twice)  # a row may stand there many times
        chance = max(float((once[lag:] == once[:-lag]).sum()) for lag in _LAGS) / len(once)
        by_chance = chance * len(code) if len(once) >= _TELL_CHANCE else np.inf
        twice = twice if len(twice) > 3 + 3 * by_chance else _NONE
    rest = np.ones(len(code), bool)
    rest[twice] = False
    place = np.flatnonzero(rest)
    code = code[place]
    if time is None and number is not None:
        told = _codes([column[place] for column in columns])
        blocks = _blocks(_codes([number[place], told]), told, None, at_once=True)
    elif time is None:
        blocks = _blocks(code, code, None)
    else:
        step = np.diff(time[place], prepend=time[:1])
        told = _codes([*(column[place] for column in columns), step])
        # the clock goes back where a block begins
        blocks = [block for block in _blocks(code, told, step < 0) if step[block[0]] < 0]
    return Repeats(twice, [(int(place[low]), int(place[high - 1]) + 1) for low, high in blocks])


def met_again(line: int) -> str:
    """What a log's caution says of pasted rows."""
    return f"the same rows stand in the log again from line {line} on"


def same_as_before(columns: Sequence[Int], rows: Int) -> Int:
    """Those of the rows that equal the one before them in every column."""
    for column in columns:
        one, two = column[rows], column[rows - 1]
        same = one == two
        if column.dtype.kind == "f":
            same |= np.isnan(one) & np.isnan(two)
        rows = rows[same]
    return rows


def _codes(columns: Sequence[Int]) -> NDArray[np.uint64]:
    """A number for every row that equal rows share and others hardly ever."""
    code = np.zeros(len(columns[0]), np.uint64)
    for column in columns:
        wide = column.astype(np.float64 if column.dtype.kind == "f" else np.int64)
        code ^= np.ascontiguousarray(wide).view(np.uint64)
        for shift, factor in ((32, 0xD6E8FEB86659FD93), (29, 0x9E3779B97F4A7C15)):
            code ^= code >> np.uint64(shift)
            code *= np.uint64(factor)
    return code


def _blocks(
    code: NDArray[np.uint64], told: NDArray[np.uint64], back: Bool | None, at_once: bool = False
) -> list[tuple[int, int]]:
    """Stretches of rows that follow one another as they did earlier in the log."""
    if not _met_again(code):
        return []
    order = np.argsort(code, kind="stable")
    alike = code[order[1:]] == code[order[:-1]]
    if not alike.any():
        return []
    before = np.full(len(code), -1, np.int64)
    before[order[1:][alike]] = order[:-1][alike]
    seeds = _seeds(before)
    if not seeds:
        return []
    asked = float(_SURE_BITS)
    if back is not None:
        _, place, counts = np.unique(told, return_inverse=True, return_counts=True)
        count = counts[place]
        bits = np.log2(len(code) / count)
        bits[back | (count > _EVEN * len(code))] = 0  # as an even counter's that wraps
    else:
        _, place, counts = np.unique(told, return_inverse=True, return_counts=True)
        count = counts[place]
        bits = np.where(count <= _RARE, np.log2(len(code) / count), 0.0)
        asked += 0 if at_once else 2 * np.log2(len(code))
    sums = np.concatenate([[0.0], np.cumsum(bits)])  # the way into a block is not its own
    found: list[tuple[int, int]] = []
    for first, stop in seeds:
        done = found[-1][1] if found else 0
        if first < done:
            continue
        apart = first - int(before[first])
        high = stop + _alike(code[stop:], code[stop - apart :])
        low = first - _alike(code[:first][::-1], code[: first - apart][::-1])
        low = max(low, done)
        if sums[high] - sums[low + (not at_once)] >= asked:
            found.append((low, high))
    return found


def _met_again(code: NDArray[np.uint64]) -> bool:
    """Whether any stretch of the shortest length stands there twice; far quicker to tell."""
    odd = np.uint64(0x9E3779B97F4A7C15)
    with np.errstate(over="ignore"):
        stretch = np.sort((code[:-2] * odd + code[1:-1]) * odd + code[2:])
    return bool((stretch[1:] == stretch[:-1]).any())


def _seeds(before: Int) -> list[tuple[int, int]]:
    """Stretches of rows each of which stood after the row before it the last time, too."""
    goes_on = (before[1:] == before[:-1] + 1) & (before[1:] > 0)
    edge = np.flatnonzero(~goes_on) + 1
    low, high = np.concatenate([[0], edge]), np.concatenate([edge, [len(before)]])
    enough = (before[low] >= 0) & (high - low >= _FEWEST)
    return list(zip(low[enough].tolist(), high[enough].tolist(), strict=True))


def _alike(one: NDArray[np.uint64], two: NDArray[np.uint64]) -> int:
    """How many rows of two stretches are alike, from their first on."""
    most = min(len(one), len(two))
    count, step = 0, 64
    while count < most:
        part = slice(count, min(count + step, most))
        same = one[part] == two[part]
        if not same.all():
            return count + int(np.argmin(same))
        count += step
        step *= 4
    return most
