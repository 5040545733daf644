"""Columns that rise along the log, as clocks do: which do, in what unit, which is the finest."""

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.columns.evidence import counts_rows, rises
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import meaning, tokens
from looptime.parsers.columns.unit import Unit, clock_unit
from looptime.parsers.columns.wraps import goes_round, going_on
from looptime.parsers.text.buffers import texts
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.signal_names import TURNS, names_reading
from looptime.units import NS_PER_S, UNITS

__all__ = [
    "ROWS_OF_A_CLOCK", "counts_round", "falls_short", "finer", "never_falls", "numbers_rows",
    "only_rises", "rounds", "sampled", "since_1970", "stands_at_zero", "steps_by_lengths",
    "unit_of",
]  # fmt: skip

#: A column that rises over so many rows is a clock, whatever it is called.
ROWS_OF_A_CLOCK = 20
#: Share of its steps that are more than nothing: two tasks may begin in the same tick.
_MOSTLY = 0.9
#: A clock stands still between its ticks in so many rows, by less than this part of a usual step;
#: so many ticks show that another keeps to it, which is off by little more than one.
_STANDS, _STILL, _TICKS, _OFF = 0.5, 0.1, 4, 1.1
#: Most changes to zero and back of a clock that stands there for a while.
_STRETCHES = 4
#: In so many rows a clock goes on by so much of what its loop's parts take and by no more than so
#: many times as much.
_FITS, _FULL, _WAIT = 0.8, 0.98, 20.0


#: Share of its rows in which a number of the loop must go on as the clock does.
_COUNTS_ON = 0.98
#: Share of the rows that have a number of their own, where some stand there several times.
_OWN = 0.3
#: How near the clock must come to a number that skips but once.
_ONE_HOLE = 0.05
#: Words of what goes round and is no timer: lengths that do so against a device's, and turns.
_NO_TIMERS = TURNS | {"wait", "waits", "waited", "waiting", "idle", "sleep", "slept", "pause",
                      "free", "blocked"}  # fmt: skip


def finer(clock: Head, unit: Unit, found: list[Head], dialect: Dialect) -> Head | None:
    r"""A column that goes on between the ticks of a clock, by what the clock says in all.

    A date-time to the second, or stamps of lines that come in bunches, tell of no loop; a counter
    beside them does, if it is never off by more than a tick.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k // 10},{k * 100 + k % 3},{k * 7}\n" for k in range(90))
    >>> like = sniff("time_s,since_ms,way\n" + rows, "a.csv")
    >>> clock, *others = heads(like.header)
    >>> finer(clock, Unit("s", NS_PER_S, "header"), others, like).text
    'since_ms'
    """
    times = sampled(dialect, clock, unit)
    step = np.diff(times)
    if len(step) < ROWS_OF_A_CLOCK or not np.isfinite(step).all() or not (step >= 0).all():
        return None
    still = step <= _STILL * float(step.mean())
    if still.mean() < _STANDS or (~still).sum() < _TICKS:
        return None
    for head in found:
        values = going_on(numbers(dialect, head.index))
        own = unit_of(dialect, head) if only_rises(values) else None
        if own is None or own.stamp is not None:
            continue
        ahead = (values - values[0]) * own.ns - (times - times[0])
        if float(np.ptp(ahead)) <= _OFF * float(step.max()):
            return head
    return None


def since_1970(head: Head, dialect: Dialect) -> bool:
    """Whether values are instants of this century that rise, in their header's unit or in any.

    Whole seconds without a unit may as well be another number.
    """
    values = numbers(dialect, head.index)
    units = [UNITS[head.unit]] if head.unit else list(UNITS.values())
    fits = [ns for ns in units if ((values * ns >= 1e18) & (values * ns <= 4e18)).all()]
    if len(values) < ROWS_OF_A_CLOCK or not fits or not rises(values):
        return False
    return head.unit is not None or fits[0] < NS_PER_S or bool((values % 1 != 0).any())


#: Headers of what numbers loops where it goes on by the same in every row: what is printed of
#: every fifth loop or fewer. A clock's ticks, samples and counts of what is sent go on evenly, too.
_NUMBERS = frozenset(("n", "i", "k", "no", "nr", "num", "number", "idx", "index"))
_EVERY = 5


def numbers_rows(head: Head, dialect: Dialect, times: Float | None) -> bool:
    """Whether a column numbers the rows, some of them lost or, without a clock, there twice."""
    values = numbers(dialect, head.index)
    if times is not None:
        nth = head.word in _NUMBERS and _goes_on_by_several(values)
        return nth or _counts_what_is_lost(values, times)
    known = values[np.isfinite(values)]
    if meaning(head.text) != "counter" or len(known) < ROWS_OF_A_CLOCK or not rises(known):
        return False
    by = np.diff(np.unique(known))
    return len(by) >= _OWN * len(known) and float((by == 1).mean()) >= 0.5


def _goes_on_by_several(values: Float) -> bool:
    """Whether a number is larger by the same in each row, a multiple of five: one loop in so many.

    Examples
    --------
    >>> _goes_on_by_several(10.0 * np.arange(40)), _goes_on_by_several(np.arange(40.0))
    (True, False)
    """
    by = np.diff(values)
    same = len(by) >= ROWS_OF_A_CLOCK and bool((by == by[0]).all())
    return same and bool(by[0] > 0 and by[0] % _EVERY == 0)


def _counts_what_is_lost(values: Float, clock: Float) -> bool:
    """Whether a number goes on by one, and by as many more as the clock's step is longer."""
    there = np.isfinite(values) & np.isfinite(clock)
    by, step = np.diff(values[there]), np.diff(clock[there])
    good = (by >= 1) & (by == np.rint(by)) & (step > 0)
    if len(by) < ROWS_OF_A_CLOCK or good.mean() < _COUNTS_ON:
        return False
    by, step = by[good], step[good]
    one = by == 1
    skips = int((~one).sum())
    if one.mean() < 0.5 or not skips:
        return False
    near = 0.3 if skips > 1 else _ONE_HOLE
    loops = step[~one] / by[~one]
    usual = np.array([np.median(step[one]), np.mean(step[one])])  # a coarse clock bears the mean
    return bool((np.abs(loops / usual[:, None] - 1) < near).mean(axis=1).max() >= 0.8)


def never_falls(values: Float) -> bool:
    """Whether values rise or stay as they are all along, but for the wraps of a counter."""
    step = np.diff(going_on(values))
    level = len(step) < ROWS_OF_A_CLOCK or (step > 0).mean() < 0.1
    return not level and bool((step >= 0).all()) and not _in_classes(step)


def only_rises(values: Float) -> bool:
    """Whether values rise in nearly all rows and fall in none, as an instant does."""
    step = np.diff(going_on(values))
    rises = len(values) >= ROWS_OF_A_CLOCK and bool((step >= 0).all())
    mostly = rises and (step > 0).mean() >= _MOSTLY
    return bool(mostly) and not counts_rows(values) and not _in_classes(step)


def stands_at_zero(known: Float) -> bool:
    """Whether values rise as a clock's do but for a few stretches of nothing but zeros.

    Examples
    --------
    >>> time, stuck = np.arange(40.0) * 7, np.zeros(60)
    >>> stands_at_zero(np.concatenate([time, stuck])), stands_at_zero(time * (time % 14 > 0))
    (True, False)
    """
    told = known[known != 0]
    stretches = int((np.diff(known == 0) != 0).sum())
    return 0 < stretches <= _STRETCHES and len(told) >= ROWS_OF_A_CLOCK and rises(told)


def _in_classes(step: Float) -> bool:
    """Whether all steps are one and the same power of ten: classes of a table, and no instants."""
    even = step[0] > 0 and float(np.ptp(step)) <= 1e-6 * float(step[0])
    return bool(even and abs(np.log10(step[0]) - round(np.log10(step[0]))) < 1e-6)


def steps_by_lengths(found: list[Head], dialect: Dialect) -> Head | None:
    r"""A column that goes on from row to row by what the lengths beside it take, out of order too.

    Nothing else in a log does: not the lengths of a part, whatever they are. The rows may stand
    the other way round or anyhow, those of several logs line by line, and the counter may wrap.

    Parameters
    ----------
    found : list of Head
        Columns of numbers that may be times, the lengths among them.
    dialect : Dialect
        How the log is written, with its first rows.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{900 - k * 9},{2 + k % 3},{4 + k % 2}\n" for k in range(90))
    >>> like = sniff("Zeit [ms],gyro_ms,drive_ms\n" + rows, "a.csv")
    >>> steps_by_lengths(heads(like.header), like).text
    'Zeit [ms]'
    """
    timed = [(head, UNITS[head.unit]) for head in found if head.unit]
    table = np.array([numbers(dialect, head.index) * ns for head, ns in timed])
    if len(timed) < 2 or table.shape[1] < ROWS_OF_A_CLOCK:
        return None
    for at, (head, _) in enumerate(timed):
        if falls_short(head, found, dialect):
            continue
        total = np.nansum(np.delete(table, at, axis=0), axis=0)
        known = np.isfinite(table[at])
        known &= (table[at] != 0) | (not stands_at_zero(table[at][known]))
        values, work = table[at][known], total[known]
        order = np.argsort(values, kind="stable")
        ways = [(values, work), (values[::-1], work[::-1]), (values[order], work[order])]
        ways += [(values[::k], work[::k]) for k in (2, 3, 4)]
        if any(_steps_by(*way) for way in ways):
            return head
    return None


def counts_round(found: list[Head], dialect: Dialect) -> Head | None:
    r"""The only column that is a counter which wraps every few rows, and holds the lengths of each.

    One that goes on by more than half of its size may as well count down.

    Parameters
    ----------
    found : list of Head
        Columns of numbers that may be times, the lengths among them.
    dialect : Dialect
        How the log is written, with its first rows.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k * 20_011 % 65_536},{2 + k % 3},{4 + k % 2}\n" for k in range(90))
    >>> found = [sniff(f"{name},gyro_ms,drive_ms\n" + rows, "a.csv") for name in ("ovf_us", "odo")]
    >>> [one and one.text for one in (counts_round(heads(like.header), like) for like in found)]
    ['ovf_us', None]
    """
    sizes = [(head, rounds(head, dialect)) for head in found if head.unit]
    round_ = [(head, size) for head, size in sizes if size is not None]
    timed = [head for head, size in sizes if size is None]
    if len(round_) != 1 or not timed:
        return None
    head, size = round_[0]
    values = numbers(dialect, head.index)
    work = np.nansum([numbers(dialect, h.index) * UNITS[h.unit or ""] for h in timed], axis=0)
    known = np.isfinite(values)
    step = np.diff(values[known]) % size
    fits = _hold(step * UNITS[head.unit or ""], work[known])
    return head if fits and np.median(step) <= size / 2 else None


def rounds(head: Head, dialect: Dialect) -> float | None:
    """What a column in a unit of time wraps at every few rows, None where it is no counter.

    One without a unit may count the turns of a wheel, or ticks of any length. What is called a
    wait, an age, an error or a reading is none.
    """
    if head.unit is None or names_reading(head.text) or _NO_TIMERS & set(tokens(head.text)):
        return None
    if meaning(head.text) in ("latency", "deviation", "setting", "signal"):
        return None
    return goes_round(numbers(dialect, head.index), UNITS[head.unit])


def falls_short(head: Head, found: list[Head], dialect: Dialect) -> bool:
    """Whether a counter that wraps every few rows does so once more in most: what one takes alone
    is longer than what it goes on by.
    """
    size = rounds(head, dialect)
    if size is None:
        return False
    step = np.diff(numbers(dialect, head.index)) % size * UNITS[head.unit or ""]
    timed = [h for h in found if h.unit and h is not head and meaning(h.text) == "duration"]
    lengths = (numbers(dialect, h.index)[:-1] * UNITS[h.unit or ""] for h in timed)
    return any(bool((one > step).mean() > 0.5) for one in lengths)


def _steps_by(values: Float, work: Float) -> bool:
    """Whether nearly each step is as long as the work of its row, or longer by a wait."""
    return _hold(np.diff(values), work)


def _hold(step: Float, work: Float) -> bool:
    """The same of the steps."""
    if len(step) < ROWS_OF_A_CLOCK // 2:
        return False
    fits = (step >= _FULL * work[:-1]) & (step <= _WAIT * np.median(work)) & (work[:-1] > 0)
    return float(fits.mean()) >= _FITS


def unit_of(dialect: Dialect, clock: Head) -> Unit | None:
    """The unit of a clock, None where it can't be told."""
    try:
        return clock_unit(dialect, clock, clock.unit, (dialect.unit, "option"), "")
    except LogError:  # told where the log is read, with what to do
        return None


def sampled(dialect: Dialect, head: Head, unit: Unit) -> Float:
    """First values of a column of instants [ns], NaN where there is none."""
    if unit.stamp is None or unit.stamp.startswith("decimal"):
        return numbers(dialect, head.index) * unit.ns
    from looptime.parsers.text.datetimes import parse_stamps

    cells = [row[head.index] for row in dialect.sample]
    ns, ok, there = parse_stamps(texts(cells), unit.stamp)
    return np.where(ok & there, (ns - ns[:1]).astype(float), np.nan)
