"""Numbers that follow an even series over some rows: a spreadsheet filled them in."""

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.text.table import Key, Member, Table
from looptime.stats.arrays import distinct

__all__ = ["cautions", "filled_in"]

#: Rows of an even series, and the share of steps like the one before from which that is usual.
_FEWEST, _USUAL = 15, 0.05
#: Steps that are measured are of so many kinds.
_SCATTERED, _MOST_TOLD, _LOOKED_AT = 20, 3, 200_000


def cautions(table: Table, clock: str, lengths: tuple[str, ...]) -> tuple[str, ...]:
    """Of each column of instants or lengths of which a stretch was filled in."""
    keys: list[Key] = [key for key in (clock, *lengths) if key in table.columns]
    keys += [Member(word, at) for word in (clock, "part") for at in table.group(word)]
    made = []
    for key in keys:
        found = filled_in(table.columns[key])
        if found is None:
            continue
        low, high = found
        step = float(table.columns[key][high]) - float(table.columns[key][low])
        timed = key == clock or (isinstance(key, Member) and key.group == clock)
        if timed and step <= 0:
            continue
        first, last = table.line_of(np.array(found)).tolist()
        what = "instants" if timed else "lengths"
        made.append(
            f"lines {first} to {last}: {what} make an even series there, as nowhere else: filled "
            "in, and not measured?"
        )
    return tuple(dict.fromkeys(made))[:_MOST_TOLD]


def filled_in(value: Int | Float) -> tuple[int, int] | None:
    """First and last place of a stretch that rises by the same step, as values nowhere else do.

    What is measured scatters; a cell that was drawn down over those below it leaves the same
    number in all of them, or one more in each. A stretch of zeros is something that was not done,
    and one of instants that do not go on a clock that stood still.

    Examples
    --------
    >>> value = np.arange(200) ** 2 * 37 % 101
    >>> filled_in(value) is None
    True
    >>> value[50:90] = np.arange(7, 47)
    >>> filled_in(value)
    (50, 89)
    """
    value = value[:_LOOKED_AT]
    step = np.diff(np.asarray(value, np.float64))
    if len(step) < 4 * _FEWEST:
        return None
    same = step[1:] == step[:-1]
    if same.mean() > 0.5:  # most often nothing is looked for
        return None
    edge = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    first, stop = edge[::2], edge[1::2]
    if not len(first):
        return None
    longest = int(np.argmax(stop - first))
    low, high = int(first[longest]), int(stop[longest]) + 1
    others = int(same.sum()) - (high - 1 - low)
    if high - low < _FEWEST or others > _USUAL * len(same):
        return None
    others_differ = len(distinct(np.delete(step, np.s_[low:high]))) >= _SCATTERED
    nothing = not np.any(value[low : high + 1])
    return (low, high) if others_differ and not nothing else None
