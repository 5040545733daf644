"""Lengths that no loop can hold: numbers that were garbled on their way into the log."""

from functools import cached_property

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.text.table import Key, Member, Table
from looptime.records import dataclass
from looptime.stats.arrays import median
from looptime.units import NS_PER_S

__all__ = ["Garbled", "find_garbled"]

_NONE = np.empty(0, np.int64)
#: Lengths of a log without a clock are believed up to this, and up to so many typical ones.
_LONGEST_NS, _TIMES = 60 * NS_PER_S, 1000
#: A length this many times the typical one is garbled if what was timed beside it says so.
_ODD = 20
#: So many steps of the clock: a row may be stamped before or after its loop.
_STEPS = 5
#: A call is over before its name is met again, whichever of its ends is stamped; but for a tick.
_OWN_STEPS = 1.2
#: A length like this is told where nothing beside it says whether it is true.
_TOLD_NS, _TOLD_TIMES = NS_PER_S // 20, _ODD
#: The longest so many lengths of a column are looked at.
_LOOKED_AT = 1000
#: Steps back from which on a clock may be a counter that wraps.
_WRAPS = 5
#: Fewer lengths of a name, or more garbled ones than this share, say nothing.
_FEWEST, _MOST = 5, 0.05
#: More lengths than this share are not garbled, though they are all the same.
_MOST_SAME = 0.2


@dataclass(frozen=True)
class Garbled:
    """Rows with a length that cannot be, and others that are odd, with how many times the usual."""

    rows: Int
    odd: Int
    times: Float
    many: Int  #: Rows with a length that cannot be, of a column that has too many of them


def find_garbled(table: Table, lengths: dict[Key, Float], time: Int | None) -> Garbled:
    """Find rows whose lengths contradict the clock, the total, or any loop.

    Parameters
    ----------
    table : Table
        Lengths of one row a call or section are told apart by its column ``name``.
    lengths : dict of Key to float64 array, shape (n,) [ns]
        Columns of lengths.
    time : int64 array, shape (n,), or None [ns]
        The clock.
    """
    bad: set[int] = set()
    many: set[int] = set()
    odd: dict[int, float] = {}
    beside_of = _Beside(table, time)
    total = lengths.get("total")
    for key, values in lengths.items():
        usual = _median(values)
        if not usual > 0 or not len(values) or not values.max() > _ODD * usual:
            continue
        far = np.flatnonzero(values > _ODD * usual)
        if len(far) > _LOOKED_AT:
            far = far[np.argpartition(-values[far], _LOOKED_AT)[:_LOOKED_AT]]
        mine: set[int] = set()
        usual_of = _Usual(table.columns.get("name"), values)
        for at in far.tolist():
            if at == 0 and key in ("total", "period"):  # the time since the logger's zero
                continue
            length, (count, typical) = float(values[at]), usual_of(at)
            if count < _FEWEST or length <= _ODD * typical:
                continue
            beside = beside_of(at) if length < beside_of.most else None
            if total is not None and isinstance(key, Member):
                beside = min(beside or np.inf, 2 * float(total[at]) / _STEPS)
            if length > max(_LONGEST_NS, _TIMES * typical) or (
                beside is not None and length > beside_of.steps * beside
            ):
                mine.add(at)
            elif beside is None and length > max(_TOLD_NS, _TOLD_TIMES * typical):
                odd[at] = length / typical
        same = far[values[far] == values[far].max()]
        if len(mine) <= max(_FEWEST, _MOST * len(values)):
            bad |= mine
        elif mine <= set(same.tolist()) and len(same) < _MOST_SAME * len(values):
            bad |= set(same.tolist())  # a number for no value, beside true stalls
        else:
            many |= mine
    left = {at: times for at, times in odd.items() if at not in bad}
    return Garbled(
        np.array(sorted(bad), np.int64),
        np.array(list(left), np.int64),
        np.array(list(left.values())),
        np.array(sorted(many - bad), np.int64),
    )


def _median(values: Float) -> float:
    part = values if len(values) <= 20_000 else values[:: len(values) // 10_000]
    part = part[part > 0]
    return median(part) if len(part) else 0.0


class _Usual:
    """How many lengths the name of a row has, and their median; each name is looked at once."""

    def __init__(self, name: Int | None, values: Float) -> None:
        self._name, self._values = name, values
        self._known: dict[int, tuple[int, float]] = {}

    def __call__(self, at: int) -> tuple[int, float]:
        code = 0 if self._name is None else int(self._name[at])
        if code not in self._known:
            own = self._values if self._name is None else self._values[self._name == code]
            self._known[code] = len(own), _median(own)
        return self._known[code]


class _Beside:
    """How long a row can have lasted by the clock: until its name is met again, or for a loop.

    It is the longer of the steps before and after it, whichever its own is.
    """

    def __init__(self, table: Table, time: Int | None) -> None:
        self._time = time
        self._name, self._thread = table.columns.get("name"), table.columns.get("thread")
        self._rows: dict[tuple[int, int], Int] = {}
        self.steps = _STEPS if self._name is None else _OWN_STEPS

    @cached_property
    def most(self) -> float:
        """A counter that wraps says nothing of what is longer than half of it."""
        time = self._time
        if time is None or self._name is None:
            return np.inf
        wraps = np.count_nonzero(time[1:] < time[:-1]) >= _WRAPS
        return float(np.ptp(time)) / 2 if wraps else np.inf

    def __call__(self, at: int) -> float | None:
        time = self._time
        if time is None:
            return None
        if self._name is None:
            steps = np.abs(np.diff(time[max(at - 1, 0) : at + 2]))
            return float(steps.max()) if 0 < at < len(time) - 1 else np.inf
        rows = self._like(at)
        mine = int(np.searchsorted(rows, at))
        step = np.diff(time[rows[max(mine - 1, 0) : mine + 2]])
        return float(step.max()) if mine < len(rows) - 1 and step[-1] > 0 else None

    def _like(self, at: int) -> Int:
        """Rows of the same name and thread, looked for once."""
        name, thread = self._name, self._thread
        assert name is not None
        key = int(name[at]), 0 if thread is None else int(thread[at])
        if key not in self._rows:
            mine = np.flatnonzero(name == key[0])
            self._rows[key] = mine if thread is None else mine[thread[mine] == key[1]]
        return self._rows[key]
