"""Rows that stand in a log again: written twice, or a whole block pasted once more."""

from collections.abc import Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass

__all__ = ["Repeats", "find_repeats", "met_again", "same_as_before", "written_again"]

_NONE = np.empty(0, np.int64)
#: A row that is met more often than this tells nothing of where it comes from by itself.
_RARE = 8
#: Rows that are looked at together where one tells nothing; those of the most stretches that go on
#: as before are looked into.
_TOGETHER = (32, 128)
_MOST_SEEDS = 1000
#: Rows beside a block that tell a pattern, if so many more of them than by chance are alike.
_BESIDE, _MORE = 200, 0.1
#: A name follows another as a rule that does so in this share of its rows.
_USUAL = 0.1
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
#: Rows that stand there again one by one are told from so many on, and from so many times as many
#: as chance makes; the least columns that tell of it.
_AGAIN, _TIMES_CHANCE, _WIDE = 5, 20, 3


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
    columns: Sequence[Int], time: Int | None = None, sure: bool = True, number: Int | None = None,
    name: Int | None = None,
) -> Repeats:  # fmt: skip
    """Find rows that stand in a log again.

    A row like the one before it was written twice, if that is sure (it holds an instant or a
    number that no two rows share) or, without a clock, far more frequent than rows alike at other
    distances. A block that stood in the log before was pasted, if chance does not make its rows:
    with p the share of rows like one of them, the sum of -log2 p over the block must reach 20 bits.
    Without a clock every two places of the n may be alike by chance, so that 2 log2 n bits more are
    asked for; and rows that are met time and again count, by half, only for what neither the row
    before them nor the one of their name before tells, in a block that does not reach into what
    it repeats: what goes on as before, or in a pattern, tells nothing. With a clock, a row counts
    by its step: a counter that wraps shows the same instants again. Within a loop whose rows have
    its number chance has few places, and the number says nothing of how rare a row is.

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
    name : int array, shape (n,), optional
        Code of each row's name, where the rows of a loop have several.

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
    if time is None:
        others = None if number is None else _codes([column[place] for column in columns])
        blocks = _unclocked(code, others, None if name is None else name[place])
    else:
        step = np.diff(time[place], prepend=time[:1])
        told = _codes([*(column[place] for column in columns), step])
        # the clock goes back where a block begins
        blocks = [block for block in _clocked(code, told, step < 0) if step[block[0]] < 0]
    return Repeats(twice, [(int(place[low]), int(place[high - 1]) + 1) for low, high in blocks])


def met_again(line: int) -> str:
    """What a log's caution says of pasted rows."""
    return f"the same rows stand in the log again from line {line} on"


def written_again(columns: Sequence[Int]) -> Int:
    """Rows that hold the same as one before them, where chance hardly makes any; else none.

    Two rows are alike in a column as often as two of its values are; in all of them at most as
    often as the root of the product says, as columns may go together.

    Parameters
    ----------
    columns : sequence of array, shape (n,)
        All that is known of the rows, which have neither a clock nor numbers.

    Examples
    --------
    >>> rows = np.random.default_rng(1).integers(0, 300, (5, 400))
    >>> again = np.insert(rows, np.arange(20, 380, 30), rows[:, 10:370:30], axis=1)
    >>> len(written_again(list(again))), len(written_again(list(rows // 100)))
    (12, 0)
    """
    if len(columns) < _WIDE or len(columns[0]) < _TELL_CHANCE:
        return _NONE
    code = _codes(columns)
    order = np.argsort(code, kind="stable")
    again = np.sort(order[1:][code[order[1:]] == code[order[:-1]]])
    bits = sum(float(np.log2(_times_met(column).mean() / len(code))) for column in columns)
    by_chance = len(code) ** 2 / 2 * 2.0 ** (bits / 2)
    return again if len(again) >= _AGAIN + _TIMES_CHANCE * by_chance else _NONE


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


def _clocked(
    code: NDArray[np.uint64], told: NDArray[np.uint64], back: Bool
) -> list[tuple[int, int]]:
    """Blocks of a log with a clock, which goes `back` in some rows."""
    if not _met_again(code):
        return []
    count = _times_met(told)
    bits = np.log2(len(code) / count)
    bits[back | (count > _EVEN * len(code))] = 0  # as an even counter's that wraps
    return _blocks(code, bits, _SURE_BITS)


def _unclocked(
    code: NDArray[np.uint64], others: NDArray[np.uint64] | None, name: Int | None
) -> list[tuple[int, int]]:
    """Blocks of a log without a clock; `others` is what rows hold beside the number of a loop."""
    told = code if others is None else others
    chance = 2 * np.log2(len(code))
    found: list[tuple[int, int]] = []
    if _met_again(code):
        count = _times_met(told)
        bits = np.where(count <= _RARE, np.log2(len(code) / count), 0.0)
        asked = _SURE_BITS + (chance if others is None else 0)
        found = _blocks(code, bits, asked, own=others is not None)
    if found or not _met_again(code, _TOGETHER[0]):
        return found
    names = np.zeros(len(code), np.int64) if name is None else name
    bits = _news(told, names) / 2
    alike = float((_times_met(code) / _times_met(names)).mean())
    for together in _TOGETHER:
        if not found and _met_again(code, together):
            found = _blocks(code, bits, _SURE_BITS + chance, together, alike=alike)
    if name is not None:
        found = [(low, _to_join(name, low, high)) for low, high in found]
    return found


def _to_join(name: Int, low: int, high: int) -> int:
    """Where a block ends so that the log goes on as ever: a row or two behind may be alike."""
    if low == 0 or high == len(name):
        return high
    behind = np.bincount(name[1:][name[:-1] == name[low - 1]], minlength=int(name.max()) + 1)
    usual = behind[name[high - _FEWEST : high + 1]] >= _USUAL * behind.sum()
    return high - int(np.argmax(usual[::-1]))


def _times_met(code: NDArray[np.uint64] | Int) -> Int:
    """How often each row is met in the log."""
    _, place, counts = np.unique(code, return_inverse=True, return_counts=True)
    return np.asarray(counts[place], np.int64)


def _news(told: NDArray[np.uint64], name: Int) -> Float:
    """Bits of each row that neither the row before it nor the one of its name before tells."""
    count = _times_met(told)
    order = np.argsort(name, kind="stable")
    bits = np.log2(len(told) / count)
    for rows in (np.arange(len(told)), order):
        row, before = rows[1:], rows[:-1]
        pair = _times_met(_codes([told[row], told[before]]))
        bits[row] = np.minimum(bits[row], np.log2(count[before] / pair))
        bits[rows[0]] = 0
    return np.asarray(np.maximum(bits, 0.0), np.float64)


def _blocks(
    code: NDArray[np.uint64], bits: Float, asked: float, together: int = 1, own: bool = False,
    alike: float = 0.0,
) -> list[tuple[int, int]]:  # fmt: skip
    """Stretches of rows that follow one another as they did earlier in the log.

    `own` says that the first row of a block counts, too: else the way into it is not its own.
    Where so many rows are looked at together, a block may not reach into what it repeats, nor the
    rows beside it be like those beside that more often than by chance (the share `alike`): then
    the log follows a pattern, with exceptions.
    """
    seeds, before = _seeds(_stretches(code, together))
    sums = np.concatenate([[0.0], np.cumsum(bits)])
    found: list[tuple[int, int]] = []
    for first, stop in seeds:
        done = found[-1][1] if found else 0
        if first < done:
            continue
        apart = first - int(before[first])
        high = stop + _alike(code[stop:], code[stop - apart :])
        low = first - _alike(code[:first][::-1], code[: first - apart][::-1])
        low = max(low, done)
        if together > 1 and (high - low > apart or _goes_on(code, low, high, apart, alike)):
            continue
        if sums[high] - sums[low + (not own)] >= asked:
            found.append((low, high))
    return found


def _stretches(code: NDArray[np.uint64], together: int) -> NDArray[np.uint64]:
    """A number for so many rows from each on, which equal ones share and others hardly ever."""
    factor, size = np.uint64(0x9E3779B97F4A7C15), 1
    with np.errstate(over="ignore"):
        while size < together:  # stretches may share rows
            apart = min(size, together - size)
            code = (code[:-apart] ^ (code[:-apart] >> np.uint64(29))) * factor + code[apart:]
            size += apart
    return code


def _goes_on(code: NDArray[np.uint64], low: int, high: int, apart: int, chance: float) -> bool:
    """Whether rows beside a block are like those so far apart more often than chance makes them."""
    near = min(high - low, _BESIDE)
    beside = np.r_[max(apart, low - near) : low, high : min(high + near, len(code))]
    if len(beside) < _TELL_CHANCE:
        return False
    alike = float((code[beside] == code[beside - apart]).mean())
    return alike > min(2 * chance + _MORE, (1 + chance) / 2)


def _met_again(code: NDArray[np.uint64], together: int = 3) -> bool:
    """Whether any stretch of so many rows stands there twice; far quicker to tell."""
    stretch = np.sort(_stretches(code, together))
    return bool((stretch[1:] == stretch[:-1]).any())


def _seeds(code: NDArray[np.uint64]) -> tuple[list[tuple[int, int]], Int]:
    """Stretches of rows each of which stood after the row before it the last time, too.

    Also where each row stood the last time, -1 for nowhere.
    """
    before = np.full(len(code), -1, np.int64)
    order = np.argsort(code, kind="stable")
    alike = code[order[1:]] == code[order[:-1]]
    before[order[1:][alike]] = order[:-1][alike]
    goes_on = (before[1:] == before[:-1] + 1) & (before[1:] > 0)
    edge = np.flatnonzero(~goes_on) + 1
    low, high = np.concatenate([[0], edge]), np.concatenate([edge, [len(before)]])
    enough = np.flatnonzero((before[low] >= 0) & (high - low >= _FEWEST))
    longest = np.sort(enough[np.argsort(low[enough] - high[enough], kind="stable")[:_MOST_SEEDS]])
    return list(zip(low[longest].tolist(), high[longest].tolist(), strict=True)), before


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
