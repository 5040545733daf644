"""Two clocks in one row: the steadier one tells the loops' pace, the other is compared with it."""

import itertools
from collections.abc import Collection

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.parsers.columns.evidence import CLOCK_WORDS, counts_rows, rises
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.lexicon import meaning, of_a_clock
from looptime.parsers.columns.unit import Unit, text_unit
from looptime.parsers.columns.wraps import going_on
from looptime.parsers.text.buffers import texts
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.records import dataclass
from looptime.run import OtherClock
from looptime.stats.autocorrelation import inflation
from looptime.units import NS_PER_S, UNITS

__all__ = ["Choice", "choose_clock", "finer_of", "keeps_time", "names_clock", "second_clock"]

#: Steps by which a clock that is not set anew goes back at most, and the longest step [ns].
_BACK, _LONGEST = 20.0, 10 * NS_PER_S
#: Rows on each side of a step, and its size in standard deviations, for a clock that was set.
_SIDE, _SET = 10, 6.0
#: Columns by these words come from the board itself, and are taken where both are as steady.
_OWN = ("device", "board", "robot", "sensor", "micros", "millis", "nanos", "mono")
_HOST = ("host", "wall", "utc", "received", "arrival", "pc", "laptop", "log", "date")
_ALIKE = 1.25
#: Share of the steps in which a clock stands still that ticks too coarsely, and one that does not.
_STANDS, _MOVES = 0.3, 0.02
#: Rows by which a column that no header calls a clock is one.
_ROWS = 20
_PARTS = ("time", "clock", "stamp", "micros", "millis")


def second_clock(
    dialect: Dialect, main: Head, unit: Unit, taken: Collection[int]
) -> tuple[Head, Unit] | None:
    r"""Another column that keeps time with the log's clock.

    Parameters
    ----------
    dialect : Dialect
        How the log is written; its first rows decide.
    main, unit : Head, Unit
        The log's clock.
    taken : collection of int
        Columns that play a part already.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k * 20 + k % 3},{k * 20000}\n" for k in range(9))
    >>> like = sniff("host_time_ms,device_time_us\n" + rows, "a.csv")
    >>> one = heads(like.header)
    >>> second_clock(like, one[0], Unit("ms", 10**6, "header"), {0})[1].name
    'us'
    """
    step = _typical(dialect, main, unit, rising=False)
    if step is None or dialect.header is None:
        return None
    for head in heads(dialect.header[: dialect.fields]):
        named = names_clock(head) or text_unit(dialect, head) is not None
        if head.index in taken or not (named or _goes_on_as_a_clock(dialect, head)):
            continue
        other = _unit(dialect, head, step, (0.7, 1.4) if named else (0.95, 1.05))
        if other is not None:
            return head, other
    return None


def names_clock(head: Head) -> bool:
    """Whether a header says that its column is a clock.

    Examples
    --------
    >>> [names_clock(head) for head in heads(("host_time_s", "timestamp", "gyro_ms"))]
    [True, True, False]
    """
    by_word = head.word in CLOCK_WORDS or any(part in head.word for part in _PARTS)
    return by_word or of_a_clock(head.text)


def _goes_on_as_a_clock(dialect: Dialect, head: Head) -> bool:
    """Whether a column with a unit climbs by a little more or less each time, or wraps.

    Instants at which something is due rise evenly, and are none at which it was done.
    """
    step = np.diff(numbers(dialect, head.index))
    if head.unit is None or len(step) < _ROWS or meaning(head.text) not in ("duration", "clock"):
        return False
    back = step < 0
    uneven = len(np.unique(step[~back])) > 2
    return bool(uneven and (step != 0).all() and back.mean() < 0.05)


def keeps_time(dialect: Dialect, clock: Head, instants: Float) -> bool:
    r"""Whether a clock, in its unit or in any if none is named, advances as some instants do [ns].

    Durations that happen to rise climb by a part of its steps. The median bears restarts, the mean
    a clock that ticks more coarsely than the loop.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{20 * k},{1 + k / 8}\n" for k in range(9))
    >>> like = sniff("t_ms,gyro_ms\n" + rows, "a.csv")
    >>> clock, gyro = heads(like.header)
    >>> keeps_time(like, clock, numbers(like, gyro.index) * 1e6)
    False
    """
    units = [UNITS[clock.unit]] if clock.unit else list(UNITS.values())
    steps = [np.diff(column) for column in (numbers(dialect, clock.index), instants)]
    if not all(np.isfinite(step).any() for step in steps):
        return False
    return any(
        0.7 * float(typical(steps[1])) <= unit * float(typical(steps[0])) <= 1.4 * typical(steps[1])
        for unit in units
        for typical in (np.nanmedian, np.nanmean)
    )


def _typical(dialect: Dialect, head: Head, unit: Unit, rising: bool = True) -> float | None:
    """Mean step of a column's first rows [ns]; a mean bears a coarse or bunched clock."""
    if unit.stamp is not None and text_unit(dialect, head) is not None:
        from looptime.parsers.text.datetimes import parse_stamps

        cells = [row[head.index] for row in dialect.sample[:500]]
        ns, ok, there = parse_stamps(texts(cells), unit.stamp)
        values = ns[ok & there].astype(float)
    else:
        values = numbers(dialect, head.index) * unit.ns
        values = going_on(values[np.isfinite(values)])
    dated = unit.stamp is not None and len(values) > 1 and bool((np.diff(values) >= 0).all())
    if len(values) < 5 or (rising and not (rises(values) or _climbs(values) or dated)):
        return None
    if not rising:  # a clock that jitters by more than its steps goes back now and then
        mean = float(values[-1] - values[0]) / (len(values) - 1)
        return mean if mean > 0 else None
    step = np.diff(values)
    if not rises(values):
        return float(values[-1] - values[0]) / len(step)
    step = step[step >= 0]
    return float(step.mean()) or None


def _climbs(values: Float) -> bool:
    """Whether values that go back again and again still keep to a line that goes up."""
    k = np.arange(len(values))
    if len(values) < 20 or values[0] == values[-1] or not np.abs(values).max() < 1e150:
        return False
    return float(np.corrcoef(k, values)[0, 1]) > 0.99


def _unit(dialect: Dialect, head: Head, main: float, alike: tuple[float, float]) -> Unit | None:
    """The unit in which a column advances as the main clock does."""
    text = text_unit(dialect, head)
    if text is not None:
        choices = [text]
    elif head.unit is not None:
        choices = [Unit(head.unit, UNITS[head.unit], "header")]
    else:
        if counts_rows(numbers(dialect, head.index)):
            return None
        said = "inferred: so it keeps time with the other clock"
        choices = [Unit(name, ns, said) for name, ns in UNITS.items()]
    for unit in choices:
        typical = _typical(dialect, head, unit)
        if typical is not None and alike[0] <= typical / main <= alike[1]:
            return unit
    return None


@dataclass(frozen=True)
class Choice:
    """Which clock is used, and what `Clock.other` says of the one that is not."""

    swap: bool
    other: OtherClock | None


def finer_of(first: Int, second: Int, ticks: tuple[int, int] = (1, 1)) -> int | None:
    """Which of two clocks ticks finely enough for the rows, 0 or 1, where the other does not.

    One that stands still from row to row may well be even from loop to loop, and so may one that
    rounds what the other shows: then the two are never apart by more than a tick of it. Where they
    are, nothing tells which is right, and the finer one is not taken for being fine.

    Parameters
    ----------
    first, second : int64 array, shape (n,) [ns]
        Instants of the same rows.
    ticks : (int, int) [ns]
        The least steps that the two can show.

    Examples
    --------
    >>> fine = 1300 * np.arange(100)
    >>> finer_of(fine // 10_000 * 10_000, fine), finer_of(fine, fine + 5)
    (1, None)
    >>> odd = 20_000_000 * np.arange(100) + 70_000 * (np.arange(100) % 3)
    >>> finer_of(odd // 10**6 * 10**6, odd, (10**6, 1000))
    1
    """
    if len(first) < _ROWS:
        return None
    from looptime.parsers.columns.rounded_clock import may_round, rounds  # few logs have two

    if may_round(first, ticks) and rounds(first, second, ticks):
        return int(ticks[0] > ticks[1])
    stands = [float((np.diff(clock) == 0).mean()) for clock in (first, second)]
    if min(stands) >= _MOVES or max(stands) <= _STANDS:
        return None
    return int(stands[1] < stands[0])


def choose_clock(
    first: Int, second: Int, heads_: tuple[Head, Head], may_swap: bool = True,
    finer: int | None = None,
) -> Choice:  # fmt: skip
    """Judge two clocks by how even their steps are.

    Parameters
    ----------
    first, second : int64 array, shape (n,) [ns]
        Instants of the same rows.
    heads_ : (Head, Head)
        Their columns.
    may_swap : bool
        Whether the second may be used in place of the first.
    finer : int, optional
        Which of the two alone ticks finely enough for the log's rows, as `finer_of` tells.

    Returns
    -------
    Choice
        The skew is the least-squares slope, with its 95 % interval.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.parsers.columns.headers import heads
    >>> device = 20_000_000 * np.arange(100)
    >>> host = device + 1_000_000 * (np.arange(100) % 3)
    >>> found = choose_clock(host, device, tuple(heads(("host_ms", "device_us"))))
    >>> found.swap, found.other["column"], round(found.other["jitter_ns"] / 1e6, 2)
    (True, 'host_ms', 1.41)
    """
    one, two = np.diff(first).astype(float), np.diff(second).astype(float)
    if not len(one) or (second == 0).sum() > 1 or not ((one > 0).any() and (two > 0).any()):
        return Choice(False, None)
    on = _goes_on(one, two)
    if on.sum() < 4 or not (one[on].sum() > 0 and two[on].sum() > 0):
        return Choice(False, None)
    stretch = np.cumsum(np.append(0, ~on))
    one, two = one[on], two[on]
    spread = (float(one.std()), float(two.std()))
    swap = spread[1] * _ALIKE < spread[0]
    if finer is not None:
        swap = bool(finer)
    elif not swap and spread[1] < spread[0] * _ALIKE:
        swap = _own(heads_[1]) and not _own(heads_[0])
    swap = swap and may_swap
    used, other = (two, one) if swap else (one, two)
    levels = (second, first) if swap else (first, second)
    skew, error = _slope(levels[0] - levels[0][0], levels[1] - levels[1][0], stretch)
    jitter = float(np.std(other - skew * used))
    return Choice(swap, {
        "column": heads_[0 if swap else 1].text,
        "skew_ppm": {
            key: round(1e6 * (skew + side * 1.96 * error - 1), 3)
            for key, side in (("value", 0), ("low", -1), ("high", 1))
        },
        "jitter_ns": round(jitter),
        "used_column": heads_[1 if swap else 0].text,
        "used_jitter_ns": round(spread[1 if swap else 0]),
    })  # fmt: skip


def _goes_on(one: Float, two: Float) -> Bool:
    """Steps over which both clocks go on; those of one that jitters go back now and then.

    A clock that begins again goes back by far more than its jitter.
    """
    back = -_BACK * min(float(np.median(step[step > 0])) for step in (one, two))
    on: Bool = (np.maximum(one, two) < _LONGEST) & (np.minimum(one, two) > back)
    return on & ~((one < 0) & (two < 0))


def _slope(x: Int, y: Int, stretch: Int) -> tuple[float, float]:
    """Slope of the least-squares line of clock `y` over clock `x`, and its standard error.

    Every stamp counts, not only the first and the last, and each stretch between two breaks has a
    level of its own. Neighbouring stamps may err alike: the variance is stretched by what their
    correlation r does to it.
    """
    run, ahead = x.astype(float), (y - x).astype(float)  # a difference of int64 loses no digit
    edges = [0, *np.flatnonzero(np.diff(stretch)) + 1, len(x)]
    for begin, end in itertools.pairwise(edges):
        if cut := _set(run[begin:end], ahead[begin:end]):
            stretch = stretch + (np.arange(len(x)) >= begin + cut)
    stretch = np.unique(stretch, return_inverse=True)[1]
    run, ahead = _about_means(run, stretch), _about_means(ahead, stretch)
    slope = float(run @ ahead / (run @ run))
    rest = ahead - slope * run
    power = float(rest @ rest)
    r = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    wider = inflation(min(max(r, 0.0), 0.999))
    free = max(1, len(x) - 1 - int(stretch[-1] + 1))
    return 1 + slope, float(np.sqrt(wider * power / free / (run @ run)))


def _about_means(values: Float, stretch: Int) -> Float:
    means = np.bincount(stretch, values) / np.bincount(stretch)
    about: Float = values - means[stretch]
    return about


def _set(x: Float, y: Float) -> int:
    """Row at which a clock was set, 0 for none: one step carries a lasting change of its level.

    The least-squares line with a level on each side of a row is found for every row at once, from
    running sums; the step of the best one must be most of the change of level, and beyond what is
    left by six standard deviations.
    """
    n = len(x)
    if n < 4 * _SIDE:
        return 0
    x, y = x - x.mean(), y - y.mean()
    left = np.arange(_SIDE, n - _SIDE)
    weight = n / (left * (n - left))
    sx, sy = (np.cumsum(v)[left - 1] for v in (x, y))
    # sums of squares and products about the means of both sides
    xx, xy, yy = x @ x - weight * sx**2, x @ y - weight * sx * sy, y @ y - weight * sy**2
    power = yy - xy**2 / xx
    at = int(np.argmin(power))
    cut, slope = int(left[at]), float(xy[at] / xx[at])
    level = y - slope * x
    change = float(level[cut:].mean() - level[:cut].mean())
    sudden = float(level[cut] - level[cut - 1]) / change if change else 0.0
    scatter = float(np.sqrt(max(power[at], 0.0) / n))
    return cut if sudden > 0.5 and abs(change) > _SET * scatter else 0


def _own(head: Head) -> bool:
    word = head.word
    return any(part in word for part in _OWN) and not any(part in word for part in _HOST)
