"""Clocks that step more coarsely than they print: shared stamps, even turns, binary grids."""

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.records import dataclass
from looptime.stats.arrays import common_divisor, distinct, median
from looptime.units import NS_PER_MS, NS_PER_S, NS_PER_US

__all__ = [
    "Grid", "Stepping", "binary_grid", "printed_step", "standstill", "stepping", "whole_lengths",
]  # fmt: skip

#: Rows that must share their stamp with the one before for a clock to be called stepping.
_SHARED = 0.2
#: Share of the steps for which a rule must hold.
_MOST = 0.95
_ROWS = 50_000
#: Ticks of the printed digits from which on a step is told that is no whole number of them.
_COARSER = 5
#: Steps over which an even loop shows as a straight line, though it stalls elsewhere.
_STRETCH = 200
#: Instants that are held against binary grids, the fewest that tell of one.
_TRIED, _FEWEST = 4000, 30
#: The grids looked for are at most 2**12 and at least 2**-20 of a unit.
_POWERS = range(12, -21, -1)
#: How unlikely it must be that printed numbers all lie on the grid [natural logarithm].
_CHANCE = 30.0
_LEAST_ODD, _NEARLY = 0.1, 0.98
#: The same of those that use all the digits that are printed: round ones are on most grids.
_OF_ALL_DIGITS = 7.0
#: Instants that rule most grids out.
_TELL = 256
#: A clock stands still where so many rows in turn share a stamp, so many times the usual number.
_STANDS, _LONGER = 20, 10
#: Lengths that are looked at, how many differ, and which part of a loop their step must be.
_MANY, _DIFFERENT, _COARSE = 100_000, 3, 0.02


@dataclass(frozen=True)
class Stepping:
    """How a clock steps where that is coarser than its last digit."""

    step_ns: int = 0  #: Its step, 0 where it is as fine as it prints
    shared: float = 0.0  #: Share of the rows with the stamp of the row before
    turns: tuple[int, ...] = ()  #: The two lengths that alternate, where there are no others [ns]


def stepping(time: Int, tick_ns: int) -> Stepping:
    """Find the step of a clock that rows read more often than it moves, or out of time with it.

    Rows share a stamp, and those that do not are whole steps apart; or steps take two lengths in
    turns so even that no stamp strays from a straight line by more than their difference, which
    is what rounding down to whole steps does to an even loop.

    Parameters
    ----------
    time : int64 array, shape (n,) [ns]
        Stamps in the order of the log.
    tick_ns : int [ns]
        Smallest difference that is printed.

    Examples
    --------
    >>> import numpy as np
    >>> even = np.arange(200) * 7_500_000
    >>> stepping(even // 5_000_000 * 5_000_000, 1_000_000).turns
    (5000000, 10000000)
    >>> stepping(np.arange(200) * 4_000_000 // 15_000_000 * 15_000_000, 1_000_000).step_ns
    15000000
    >>> stepping(even, 1_000_000).step_ns
    0
    """
    time = time[:_ROWS]
    step = np.diff(time)
    step = step[step >= 0]
    if len(step) < 20:
        return Stepping()
    shared = float((step == 0).mean())
    there = step[step > 0]
    if not len(there):
        return Stepping()
    if shared >= _SHARED:
        quantum = _whole_steps(there, tick_ns)
        return Stepping(quantum, shared) if quantum > tick_ns else Stepping(shared=shared)
    low, high = _two_lengths(step, tick_ns)
    apart = high - low
    if apart <= tick_ns:
        return Stepping()
    exact = low % apart == 0 and bool(np.isin(step, (low, high)).mean() >= _MOST)
    quantum = apart if exact else round(_grid_of(step, apart, tick_ns))
    off = 0.0 if exact else 1.5 * tick_ns
    near = [np.abs(step - one) <= off for one in (low, high)]
    if not quantum or (near[0] | near[1]).mean() < _MOST or min(n.mean() for n in near) < 0.1:
        return Stepping()
    if not _straight(step, 2 * apart) or not _mixed(*near):
        return Stepping()
    return Stepping(quantum, shared, (low, high))


def _grid_of(step: Int, about: int, tick_ns: int) -> float:
    """The step of more digits than are printed to whose multiples all stamps keep; 0 if none.

    Errors of a true step do not add up along the log, as those of jittering loops do.
    """
    counted = np.cumsum(np.rint(step / about))
    stamps = np.cumsum(step).astype(np.float64)
    if about < _COARSER * tick_ns or counted[-1] <= counted[0]:
        return 0.0
    slope, first = np.polyfit(counted, stamps, 1)
    low, high = np.quantile(stamps - slope * counted - first, [0.01, 0.99])
    return float(slope) if high - low <= 1.2 * tick_ns + 1 else 0.0


def _mixed(short: Bool, long: Bool) -> bool:
    """Whether most stretches hold both lengths: a change of rate is no clock's doing."""
    ends = np.arange(0, max(len(short) - _STRETCH, 0) + 1, _STRETCH)
    both = [short[k : k + _STRETCH].any() and long[k : k + _STRETCH].any() for k in ends]
    return bool(np.mean(both) > 0.5)


def _straight(step: Int, within: float) -> bool:
    """Whether stamps keep to straight lines, over most stretches that long."""
    ends = np.arange(0, max(len(step) - _STRETCH, 0) + 1, _STRETCH)
    strays = []
    for part in (np.cumsum(step[k : k + _STRETCH]) for k in ends):
        at = np.arange(len(part))
        strays.append(float(np.ptp(part - np.polyval(np.polyfit(at, part, 1), at))))
    return float(np.median(strays)) <= within


def _two_lengths(step: Int, tick_ns: int) -> tuple[int, int]:
    """The two lengths most met, a tick of the printed digits apart taken for one; 0, 0 if fewer."""
    values, counts = np.unique(step, return_counts=True)
    first = int(values[np.argmax(counts)])
    others = np.abs(values - first) > tick_ns
    if not others.any():
        return 0, 0
    second = int(values[others][np.argmax(counts[others])])
    return min(first, second), max(first, second)


def _whole_steps(there: Int, tick_ns: int) -> int:
    """The step of which nearly all differences are whole multiples, as far as they are printed."""
    least = float(np.median(there[there <= 1.5 * np.quantile(there, 0.1)]))
    times = np.rint(there / least)
    quantum = float(there.sum() / times.sum())
    off = np.abs(there - times * quantum)
    return round(quantum) if float((off <= 1.5 * tick_ns + 1).mean()) >= _MOST else 0


def standstill(time: Int) -> Bool:
    """Whether each step lies in a stretch in which the clock stood still, shape (n - 1,).

    A coarse clock shows a stamp in about as many rows each time; one that stood, in far more.

    Parameters
    ----------
    time : int64 array, shape (n,) [ns]
        Stamps in the order of the log.

    Examples
    --------
    >>> stuck = np.concatenate([np.arange(60) * 7, np.full(90, 413)])
    >>> int(standstill(stuck).sum()), int(standstill(np.arange(900) // 30).sum())
    (90, 0)
    """
    edges = np.flatnonzero(np.diff(time) != 0) + 1
    rows = np.diff(np.concatenate([[0], edges, [len(time)]]))
    stands = (rows >= _STANDS) & (rows > _LONGER * np.median(rows))
    inside: Bool = np.repeat(stands, rows)
    return inside[1:] & inside[:-1] & (np.diff(time) == 0)


@dataclass(frozen=True)
class Grid:
    """The step of a clock whose instants are binary fractions of a unit, or multiples of it."""

    step_ns: float  #: Its step
    floats: bool  #: Whether it is that of a 32-bit float of this size

    @property
    def said(self) -> str:
        """What that means for the figures, where the numbers were meant to be finer."""
        if not self.floats:
            return ""
        return (
            f"instants were kept in 32-bit floats, which step by {self.step_ns / NS_PER_MS:.3g} "
            "ms: single lengths, and so p50, p99 and the largest, are known to that; means and "
            "rates hold: 64 bits, or whole microseconds, tell more"
        )


def binary_grid(times: Int, unit_ns: int) -> Grid | None:
    """Find the binary grid on which the latest instants lie, where digits alone do not make it.

    A 32-bit float keeps 24 binary digits: at t seconds it steps by 2**(floor(log2 t) - 23) s, so
    by 31 us after 4 min 16 s and by 1 ms after 2 h 16 min. Nearly every instant of the topmost
    power of two must lie on the grid, up to the digits that were printed, or be written as the
    shortest number that gives the float back; so must those with all the digits that are printed,
    and so many by chance must be out of the question.

    Parameters
    ----------
    times : int64 array, shape (k,) [ns]
        Instants as printed, from the zero of the clock.
    unit_ns : int
        Nanoseconds in one unit of the column; seconds, ms and us are tried as well.

    Examples
    --------
    >>> import numpy as np
    >>> t = (10_000 + 0.0101 * np.arange(60)).astype(np.float32).astype(float)
    >>> binary_grid(np.rint(t * 1e9).astype(np.int64), 10**9)
    Grid(step_ns=976562.5, floats=True)
    """
    times = np.abs(times[np.linspace(0, len(times) - 1, min(len(times), _TRIED)).astype(np.int64)])
    times = distinct(times[times > 0])
    if len(times) < _FEWEST or len(distinct(np.diff(times))) < 2:
        return None
    for base in dict.fromkeys((unit_ns, NS_PER_S, NS_PER_MS, NS_PER_US)):
        octave = np.floor(np.log2(times / base))
        late = times[octave >= octave[-_FEWEST]]
        found = _on_grid(late, base)
        if found is not None:
            before = times[: len(times) - len(late)] % (base << _POWERS[0] + 1)
            coarse = _near(before.astype(np.float64), found.step_ns, printed_step(times))
            # a float steps by less before, and a counter of that step does not
            floats = found.floats and not (len(before) >= _FEWEST and coarse.mean() >= _NEARLY)
            return Grid(found.step_ns, floats)
    return None


def printed_step(times: Int) -> int:
    """The last decimal digit that any of the instants has [ns].

    Examples
    --------
    >>> import numpy as np
    >>> printed_step(np.array([5_123_000_000, 5_140_000_000, 5_161_000_000]))
    1000000
    """
    step, divisor = 1, common_divisor(times)
    while step < NS_PER_S and not divisor % (10 * step):
        step *= 10
    return step


def _on_grid(times: Int, base: int) -> Grid | None:
    """The coarsest grid of this unit on which all of the instants lie."""
    printed = printed_step(times)
    float_step = float(np.spacing(np.float32(times[0] / base))) * base
    rest = (times % (base << _POWERS[0] + 1)).astype(np.float64)
    apart = np.diff(times)
    usual, uneven = float(median(apart)), len(distinct(apart)) > 2
    for power in _POWERS:
        step = base * 2.0**power
        if len(times) * np.log(step / printed) < _CHANCE or step < 2 * printed:
            return None
        floats = step == float_step
        fraction = power < 0 and uneven and usual >= 3 * step > 3 * NS_PER_US
        first = _near(rest[:_TELL], step, printed)
        if not (
            ((floats or fraction) and _may_be(first, len(times)))
            or (floats and _may_be(_shortest(times[:_TELL], base), len(times)))
        ):
            continue
        near = _near(rest, step, printed)
        if near.mean() < _NEARLY and floats:
            near = _shortest(times, base)
        if near.mean() < _NEARLY or not _tells(near[times % (10 * printed) != 0], step / printed):
            continue
        if (np.rint(rest / step) % 2).mean() >= _LEAST_ODD:
            return Grid(step, floats)
    return None


def _may_be(first: Bool, count: int) -> bool:
    """Whether something may hold for nearly all, as it does for the first of them."""
    return bool(np.count_nonzero(~first) <= (1 - _NEARLY) * count + 1)


def _tells(fits: Bool, finer: float) -> bool:
    """Whether instants that use every printed digit fit, too, and more of them than by chance.

    Those of an even loop have few digits: any float of some size is written by as many.
    """
    return bool(len(fits) * np.log(finer) >= _OF_ALL_DIGITS and fits.mean() >= _NEARLY)


def _near(rest: Float, step: float, printed: int) -> Bool:
    """Whether instants lie on a grid, as far as they are printed."""
    found: Bool = np.abs(rest - np.rint(rest / step) * step) <= 0.51 * printed + 1
    return found


def _shortest(times: Int, base: int) -> Bool:
    """Whether each instant is the shortest number that a 32-bit float is written as."""
    written = (times / base).astype(np.float32).astype(str).astype(np.float64)
    return np.abs(np.rint(written * base) - times) <= 1


def whole_lengths(known: Int, start: Int) -> tuple[str, ...]:
    """What is said of lengths that are all whole multiples of a step [ns], if that is not fine.

    It is told only where the clock itself is finer: else the clock's own step bounds all.

    Examples
    --------
    >>> start = np.cumsum(20_000_003 + np.arange(50) * 7 % 11)
    >>> whole_lengths(np.array([3, 5, 4, 2] * 12) * 10**6, start)
    ('lengths are whole 1 ms: no cost and no headroom is known more finely',)
    """
    known, start = known[:_MANY], np.diff(start[:_MANY])
    step = common_divisor(known)
    if step < 10:  # no clock is ten times finer
        return ()
    start = start[start > 0]
    if len(distinct(known)) < _DIFFERENT or not len(start):
        return ()
    if 10 * common_divisor(start) > step or step < _COARSE * np.median(start):
        return ()
    return (f"lengths are whole {step / 1e6:g} ms: no cost and no headroom is known more finely",)
