"""Numbers that follow an even series over some rows: a spreadsheet filled them in."""

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.parsers.text.table import Key, Member, Table
from looptime.stats.arrays import distinct

__all__ = ["cautions", "filled_in"]

#: Rows of an even series, and the share of steps like the one before from which that is usual.
_FEWEST, _USUAL = 15, 0.05
#: Share of rows with the name of the row before from which that is usual.
_RARE = 0.01
#: More rows than this share with one name are no turn that was filled in.
_MOST_FILLED = 0.25
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
    return (*_names(table), *tuple(dict.fromkeys(made))[:_MOST_TOLD])


def _names(table: Table) -> tuple[str, ...]:
    """Of a name that stands in row after row, where elsewhere none follows itself.

    A thread that is the only one at work, and rows sorted by name, look the same.
    """
    if "name" not in table.columns or "thread" in table.columns:
        return ()
    name = np.asarray(table.columns["name"])[:_LOOKED_AT]
    same = name[1:] == name[:-1]
    low, high = _longest(same)
    others = int(same.sum()) - (high - low)
    beside = min(low, len(same) - high)
    if not _FEWEST <= high - low <= _MOST_FILLED * len(same) or beside < 2 * _FEWEST:
        return ()
    if others > _RARE * len(same):
        return ()
    first, last = table.line_of(np.array([low, high])).tolist()
    return (
        f"lines {first} to {last}: nothing but {table.words['name'][int(name[low])]!r}, which "
        "elsewhere never follows itself: a name filled in?",
    )


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
    if np.count_nonzero(same) > 0.5 * len(same):  # most often nothing is looked for
        return None
    low, high = _longest(same)
    high += 1
    others = np.count_nonzero(same) - (high - 1 - low)
    if high - low < _FEWEST or others > _USUAL * len(same):
        return None
    others_differ = len(distinct(np.delete(step, np.s_[low:high]))) >= _SCATTERED
    nothing = not np.any(value[low : high + 1])
    return (low, high) if others_differ and not nothing else None


def _longest(same: Bool) -> tuple[int, int]:
    """The longest stretch that holds, from and up to; of no length where nothing does."""
    at = np.flatnonzero(same)
    if not len(at):
        return 0, 0
    last = np.flatnonzero(at[1:] != at[:-1] + 1)
    first, stop = at[np.append(0, last + 1)], at[np.append(last, len(at) - 1)] + 1
    longest = np.argmax(stop - first)
    return int(first[longest]), int(stop[longest])
