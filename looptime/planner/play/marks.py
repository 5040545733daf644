"""Where the marks of the loop's thread come to stand when the calls around them have changed.

A mark has no time of its own: the program writes it between two calls. So it keeps its distance
from what came before it on its thread, however much longer or shorter the loop becomes.
"""

import numpy as np

from looptime.array_types import Bool, Int
from looptime.planner.known.timeline import Arranged, Chain, parts
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Anchors", "anchors", "placed_marks"]


@dataclass(frozen=True)
class Anchors:
    """What each mark of the loop's thread is tied to."""

    row: Int  #: Row of the run's marks, shape (k,)
    #: Stretch of the chain in which the mark stands, or the last of the call that published it,
    #: shape (k,).
    stretch: Int
    #: Distance from the start of that stretch, or from its end where `published`, shape (k,) [ns].
    offset: Int
    #: The mark follows the call that published it, wherever that is made, shape (k,).
    published: Bool


def anchors(run: Run, line: Chain) -> Anchors | None:
    """Tie each mark of the loop's thread to the calls around it.

    Returns
    -------
    Anchors or None
        None where that thread has no marks.
    """
    marks = run.marks
    if marks is None or not len(line.length):
        return None
    row = np.flatnonzero(marks.thread == run.loop_thread)
    if not len(row):
        return None
    time = marks.time_ns[row].astype(np.int64)
    event = np.maximum.accumulate(np.cumsum(np.rint(line.length).astype(np.int64)))
    # at one instant with others: after what ends there and before what begins there
    opens = line.first - 1
    begins = np.append(opens, len(event))
    next_begin = begins[np.searchsorted(opens, np.searchsorted(event, time, side="left"))]
    stretch = np.minimum(next_begin, np.searchsorted(event, time, side="right"))
    stretch = np.clip(stretch, 1, len(event) - 1)
    offset = np.maximum(time - event[stretch - 1], 0)
    published = np.zeros(len(row), bool)
    for code in np.unique(marks.name[row][~marks.used[row]]).tolist():
        calls = np.flatnonzero(line.name == code)
        mine = np.flatnonzero((marks.name[row] == code) & ~marks.used[row])
        at = np.searchsorted(event[opens[calls]], time[mine], side="right") - 1
        mine, call = mine[at >= 0], calls[at[at >= 0]]
        end = event[line.last[call]]
        close = (stretch[mine] <= line.last[call] + 1) | (time[mine] <= end)
        mine, call, end = mine[close], call[close], end[close]
        published[mine] = True
        stretch[mine], offset[mine] = line.last[call], time[mine] - end
    return Anchors(row, stretch, offset, published)


def placed_marks(at: Anchors, line: Chain, made: Arranged) -> tuple[Int, Int, Int]:
    """Where the marks stand in a prediction.

    What is written in a call, or published by it, goes where the call goes and falls away with it.

    Parameters
    ----------
    at : Anchors
        From `anchors`.
    line : Chain
        The recorded loop thread.
    made : Arranged
        The chain in its new order, with the lengths that are laid out.

    Returns
    -------
    row : int64 array, shape (j,)
        Row of the run's marks.
    time : int64 array, shape (j,) [ns]
    loop : int64 array, shape (j,)
    """
    which: Int = np.arange(len(at.row))
    place: Int = at.stretch
    here = made.call
    copied = np.zeros(len(place), bool)
    if made.copied is not None:
        which, place = _places(at.stretch, made.source, len(line.owner))
        here = here[made.original[made.first]]
        copied = ~made.original[place]
    stays = np.zeros(len(line.row), bool)
    stays[here] = True
    owner = made.owner[place]
    live = copied | (owner < 0)
    live[~live] = stays[owner[~live]]
    which, place = which[live], place[live]
    end = made.after[place]
    length = np.maximum(made.whole[place], 0)
    offset = at.offset[which]
    after = end - length + np.minimum(offset, length)
    time = np.where(at.published[which], end + np.maximum(offset, -length), after)
    loop = np.clip(np.searchsorted(made.begin, place, side="left") - 1, 0, None)
    return at.row[which], time, loop


def _places(stretch: Int, source: Int, count: int) -> tuple[Int, Int]:
    """Every place that each stretch now has, and which of the stretches it is.

    Examples
    --------
    >>> _places(np.array([1, 2]), np.array([0, 2, 1, 3, 1]), 4)
    (array([0, 0, 1]), array([2, 4, 1]))
    """
    wanted = np.zeros(count, bool)
    wanted[stretch] = True
    place = np.flatnonzero(wanted[source])
    place = place[np.argsort(source[place], kind="stable")]
    low: Int = np.searchsorted(source[place], stretch, side="left")
    high: Int = np.searchsorted(source[place], stretch, side="right")
    found, which = parts(low, high - 1)
    return which, place[found]
