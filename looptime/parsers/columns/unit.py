"""The log's clock: its unit, how that was known, and its tick."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.disorder import one_block
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.wraps import going_on
from looptime.parsers.text.buffers import texts
from looptime.parsers.text.datetimes import (
    DAY_FIRST,
    MONTH_FIRST,
    decimal,
    either_first,
    parse_stamps,
    printed_ns,
    stamp_format,
)
from looptime.parsers.text.dialect import Dialect, is_missing, numbers
from looptime.parsers.text.table import Key, Want
from looptime.records import dataclass
from looptime.stats.arrays import common_divisor, distinct
from looptime.units import NS_PER_MS, NS_PER_S, NS_PER_US, UNITS

__all__ = [
    "Unit", "check_periods", "clock_unit", "find_unit", "holding_unit",
    "in_16_bits", "instants", "is_plausible", "read_as", "text_unit", "tick_of", "time_want",
    "too_slow", "usual_unit",
]  # fmt: skip

#: Loop periods that a robot's loop can have [ns]: 20 us to 5 s.
SHORTEST_NS = 20 * NS_PER_US
LONGEST_NS = 5 * NS_PER_S
# the usual middle of it, where an inferred unit is to land: 0.4 ms to 0.4 s
_USUAL = (400 * NS_PER_US, 400 * NS_PER_MS)
#: Steps that are plausible in ms (a fast loop) and in s (a slow one).
_EITHER = (0.3, 2.5)
#: Lengths may exceed a step by so much: ticks, and calls that lie in others.
_HELD = 3.0

#: Instants that mostly tell the tick of all.
_AT_FIRST = 1000
_BY_SIZE = "inferred: steps of"


@dataclass(frozen=True)
class Unit:
    """A time unit and who said so.

    `stamp` is the format of a column that must be read as text; see
    `looptime.parsers.text.datetimes`. `printed_ns` is the last digit that it is printed with.
    """

    name: str
    ns: int
    said: str
    stamp: str | None = None
    printed_ns: int | None = None
    against: str = ""  #: The unit of the header, where the one that is stated is another

    @property
    def supposed(self) -> tuple[str, ...]:
        """What is supposed where nothing but the size of the numbers tells the unit."""
        return (f"the times are in {self.name}",) if self.said.startswith(_BY_SIZE) else ()

    @property
    def limits(self) -> tuple[str, ...]:
        """What bounds every figure: the same, and what would settle it."""
        stated = "--unit" if self.said == "option" else "the project file"
        other = f"in {self.name} as {stated} says, where the header says {self.against}"
        told = (other,) if self.against else ()
        return told + tuple(
            f"if {one}, as their size suggests: --unit says it" for one in self.supposed
        )

    @property
    def tick_ns(self) -> int:
        """The least step that a time in this unit can show, for all that is known [ns]."""
        return self.printed_ns or self.ns


def text_unit(dialect: Dialect, head: Head) -> Unit | None:
    r"""The unit of a column that holds dates or times of day; None where it holds numbers.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> like = sniff("time,heading\n10:00:00.5,1\n10:00:00.6,2\n", "a.csv")
    >>> text_unit(like, heads(like.header)[0]).name
    'clock time'
    """
    cells = [row[head.index] for row in dialect.sample]
    stamp = stamp_format(cells if stamp_format(cells[:50]) else [])
    if stamp is None:
        return None
    said = "inferred: the cells are written so"
    if stamp in (DAY_FIRST, MONTH_FIRST) and either_first(cells):
        said += ", or the other way round: no figure depends on it"
    return Unit(stamp, 1, said, stamp, printed_ns(cells))


def instants(dialect: Dialect, head: Head) -> Float:
    r"""First values of a column of instants, in any unit, wraps undone; NaN where there is none.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> like = sniff("time,heading\n10:00:00.5,1\n10:00:00.6,2\n", "a.csv")
    >>> instants(like, heads(like.header)[0]).tolist()
    [0.0, 100000000.0]
    """
    unit = text_unit(dialect, head)
    if unit is None or unit.stamp is None:
        return going_on(numbers(dialect, head.index))
    cells = [row[head.index] for row in dialect.sample]
    ns, ok, there = parse_stamps(texts(cells), unit.stamp)
    return np.where(ok & there, ns - ns[0], np.nan).astype(np.float64)


def clock_unit(
    dialect: Dialect,
    head: Head,
    header_unit: str | None,
    asked: tuple[str | None, str],
    path: str,
    steps: Float | None = None,
) -> Unit:
    r"""The unit of a column of instants: dates, times since 1970, or a counter.

    Parameters
    ----------
    dialect, head : Dialect, Head
        How the log is written, and the column.
    header_unit : str or None
        Unit that the header names.
    asked : (str or None, str)
        Unit that the caller gives, and whether ``option`` or ``project`` says so.
    path : str
        The log, for messages.
    steps : float64 array, shape (k,), optional
        Steps of the column that are loop periods, where they are not those from row to row.

    Raises
    ------
    LogError
        If the unit cannot be told.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> like = sniff("time,a\n1767225600.5,1\n1767225601.5,2\n1767225602.5,2\n", "a.csv")
    >>> clock_unit(like, heads(like.header)[0], None, (None, "option"), "a.csv").said
    'inferred: the values are s since 1970'
    """
    text = text_unit(dialect, head)
    if text is not None:
        return text
    values = numbers(dialect, head.index)
    values = values[np.isfinite(values)]
    steps = np.diff(values) if steps is None else steps
    if asked[0] is None and header_unit is None:
        epoch = _since_1970(values, steps)
        if epoch is not None:
            return epoch
    return find_unit(header_unit, asked[0], asked[1], steps, path)


def _since_1970(values: Float, steps: Float) -> Unit | None:
    """The unit in which values are dates between 2001 and 2096 and steps are those of a loop."""
    steps = steps[steps > 0]
    if not len(values) or not len(steps):
        return None
    middle, typical = float(np.median(values)), float(np.median(steps))
    for name, ns in UNITS.items():
        if 1e18 <= middle * ns <= 4e18 and SHORTEST_NS <= typical * ns <= LONGEST_NS:
            return Unit(name, ns, f"inferred: the values are {name} since 1970")
    return None


def read_as(dialect: Dialect, head: Head, unit: Unit) -> Unit:
    """The unit, with a format where a float would lose digits of the column.

    A double counts nanoseconds exactly for 104 days; since 1970 it is off by up to 120 ns.
    """
    if unit.stamp is not None:
        return unit
    cells = [row[head.index] for row in dialect.sample[:500] if not is_missing(row[head.index])]
    if all(cell.strip().lstrip("+-").isdecimal() for cell in cells):
        return unit
    if any("e" in cell.lower() for cell in cells):
        return unit
    values = np.abs(numbers(dialect, head.index))
    if not np.isfinite(values).any() or np.nanmax(values) * unit.ns < 2**52:
        return unit
    return replace(unit, stamp=decimal(unit.ns))


def time_want(role: Key, dialect: Dialect, head: Head, unit: Unit, required: bool = True) -> Want:
    """How a column of instants is to be read.

    Parameters
    ----------
    role : Key
        What the column is known by in the table.
    dialect, head : Dialect, Head
        How the log is written, and the column.
    unit : Unit
        As `find_unit` or `text_unit` gives it.
    required : bool
        Whether a row without it is set aside.
    """
    unit = read_as(dialect, head, unit)
    cells = [row[head.index] for row in dialect.sample[:500] if not is_missing(row[head.index])]
    whole = all(cell.strip().lstrip("+-").isdecimal() for cell in cells)
    return Want(role, head.index, "time", unit.ns, required, whole, unit.stamp)


def find_unit(
    header_unit: str | None,
    option: str | None,
    option_from: str,
    values: Float,
    path: str,
    what: str = "time",
) -> Unit:
    """The unit of a time column.

    Parameters
    ----------
    header_unit : str or None
        Unit that the header names.
    option : str or None
        Unit that the caller gives; it wins.
    option_from : str
        ``option`` or ``project``.
    values : float64 array, shape (k,)
        First values of the column, to infer from: the steps of a clock, or durations.
    path, what : str
        For messages.

    Raises
    ------
    LogError
        If nobody says and no unit, or more than one, makes the values plausible.

    Examples
    --------
    >>> import numpy as np
    >>> find_unit(None, None, "option", np.full(9, 10.2), "a.csv").said
    'inferred: steps of 10.2 are plausible loop periods only in ms'
    """
    if option is not None:
        other = header_unit if header_unit is not None and header_unit != option else ""
        return Unit(option, UNITS[option], option_from, against=other)
    if header_unit is not None:
        return Unit(header_unit, UNITS[header_unit], "header")
    steps = values[values > 0]
    if not len(steps):
        raise LogError(f"the unit of {what} cannot be told: give it with --unit", path)
    typical = float(np.median(steps))
    if what == "time" and _EITHER[0] <= typical <= _EITHER[1]:
        raise LogError(
            f"the unit of {what} cannot be told: steps of {typical:g} are those of a loop in ms "
            f"({1000 / typical:.0f} a second) and in s ({1 / typical:.3g} a second): say which "
            "with --unit ms or --unit s",
            path,
        )
    fits = [name for name, ns in UNITS.items() if _USUAL[0] <= typical * ns <= _USUAL[1]]
    if len(fits) != 1:
        fits = [name for name, ns in UNITS.items() if SHORTEST_NS <= typical * ns <= LONGEST_NS]
        if len(fits) != 1:
            names = " or ".join(fits) if fits else "no unit"
            raise LogError(
                f"the unit of {what} cannot be told ({names} fits steps of {typical:g}): "
                "give it with --unit ns, us, ms or s",
                path,
            )
    said = f"{_BY_SIZE} {typical:g} are plausible loop periods only in {fits[0]}"
    return Unit(fits[0], UNITS[fits[0]], said)


def holding_unit(steps: Float, lengths_ns: float, word: str) -> Unit | None:
    """The only unit in which steps of a clock are loop periods that hold what is timed in them.

    Parameters
    ----------
    steps : float64 array, shape (k,)
        Of the clock.
    lengths_ns : float [ns]
        What a loop's lengths, whose unit is stated, usually add up to.
    word : str
        Their unit, for the reason.

    Examples
    --------
    >>> import numpy as np
    >>> holding_unit(np.full(9, 0.02), 7e6, "ms").said
    'inferred: lengths in ms fit into steps of 0.02 only in s'
    >>> holding_unit(np.full(9, 1.5), 7e5, "us") is None  # ms or s
    True
    """
    steps = steps[steps > 0]
    if not len(steps) or not lengths_ns > 0:
        return None
    typical = float(np.median(steps))
    least = max(SHORTEST_NS, lengths_ns / _HELD)
    fits = [name for name, ns in UNITS.items() if least <= typical * ns <= LONGEST_NS]
    if len(fits) != 1:
        return None
    said = f"inferred: lengths in {word} fit into steps of {typical:g} only in {fits[0]}"
    return Unit(fits[0], UNITS[fits[0]], said)


def is_plausible(steps: Float, ns: float) -> bool:
    """Whether steps of so many nanoseconds a unit may be those of a control loop, or parts of it.

    Examples
    --------
    >>> is_plausible(np.full(9, 0.02), 1_000), is_plausible(np.full(9, 0.02), 1_000_000_000)
    (False, True)
    """
    steps = steps[steps > 0]
    middle = float(np.median(steps)) * ns if len(steps) else 0.0
    return middle <= 0 or SHORTEST_NS / 4 <= middle <= 4 * LONGEST_NS


def usual_unit(step: float) -> str:
    """The unit in which a step is a usual loop's; empty where it is in none.

    Examples
    --------
    >>> usual_unit(0.02), usual_unit(20.0), usual_unit(5e8)
    ('s', 'ms', '')
    """
    return next((name for name, ns in UNITS.items() if _USUAL[0] <= step * ns <= _USUAL[1]), "")


def check_periods(median_ns: float, unit: Unit, path: str) -> None:
    """Catch a unit that makes the loop absurdly fast or slow.

    Raises
    ------
    LogError
        With the units that would be plausible.
    """
    # none where a clock wraps in most steps, or ticks more slowly than the loop
    if is_plausible(np.array([median_ns]), 1) or unit.said in ("option", "project"):
        return
    if unit.stamp is not None and unit.name not in UNITS and median_ns > LONGEST_NS:
        raise LogError(too_slow(median_ns), path)
    raw = median_ns / unit.ns
    better = [name for name, ns in UNITS.items() if _USUAL[0] <= raw * ns <= _USUAL[1]]
    hint = (
        f"; --unit {better[0]} would make it {raw * UNITS[better[0]] / 1e6:.3g} ms"
        if better
        else ""
    )
    who = f"the {unit.said} says {unit.name}"
    if unit.said.startswith("inferred: "):
        who = f"the times are taken for {unit.name} ({unit.said.removeprefix('inferred: ')})"
    lasts, more = f"{median_ns / 1e6:.3g} ms", ""
    if median_ns > LONGEST_NS:
        lasts = f"{median_ns / 1e9:.3g} s, which is no control loop"
        more = "; if rows are no loops, log the time of every loop"
    raise LogError(
        f"{who}, but then a loop lasts {lasts}{hint}: "
        f"say which with --unit (--unit {unit.name} if it is right){more}",
        path,
    )


def too_slow(apart_ns: float) -> str:
    """What is said of rows that stand further apart than the loops of a robot, by their dates.

    Examples
    --------
    >>> too_slow(8.64e13)  # doctest: +ELLIPSIS
    'holds no more than a row a day, by its dates: that is no control loop. ... such as time_ms'
    """
    names = {"minute": 60, "hour": 3600, "day": 86400, "week": 7 * 86400}
    each = next((f"a {n}" for n, s in names.items() if 0.9 <= apart_ns / 1e9 / s <= 1.1), "")
    many = apart_ns / 86400e9
    far = f"every {many:.0f} days" if many > 1 else f"every {apart_ns / 1e9:,.0f} s"
    each = each.replace("a hour", "an hour") or far
    return (
        f"holds no more than a row {each}, by its dates: that is no control loop. Log the time of "
        "every loop, such as time_ms"
    )


def tick_of(times: Int, unit_ns: int) -> int:
    """Smallest step that a clock shows [ns].

    The greatest common divisor of the steps, found on a sample. A divisor above the column's unit
    is believed only where the steps are at least three different multiples of it: a perfectly
    even log says nothing of its clock.

    Parameters
    ----------
    times : int64 array, shape (k,) [ns]
        Instants in any order.
    unit_ns : int
        Nanoseconds in one unit of the column, the tick where there are no steps.

    Examples
    --------
    >>> import numpy as np
    >>> tick_of(np.array([0, 10_000_000, 21_000_000]), 1_000_000)
    1000000
    """
    sample = times if len(times) <= 200_000 else times[:: len(times) // 100_000]
    if common_divisor(np.diff(sample[:_AT_FIRST])) == 1:  # so it is of all
        return 1
    steps = np.abs(np.diff(sample))
    divisor = common_divisor(steps)
    if not divisor or (divisor > unit_ns and len(distinct(steps[steps > 0])) < 3):
        return unit_ns
    return divisor


def in_16_bits(values: Float) -> bool:
    """Whether values that go up and down are a clock that wraps at 2**16.

    Examples
    --------
    >>> import numpy as np
    >>> in_16_bits(40_000 * np.arange(50) % 65_536), in_16_bits(np.arange(50) % 7 + 40_000)
    (True, False)
    """
    if len(values) < 10 or values.min() < 0 or not 0.8 * 2**16 < values.max() < 2**16:
        return False
    if len(one_block(values)) < len(values):  # it would take 2**16 steps to be where it was
        return False
    step = np.diff(values) % 2**16
    low, high = np.quantile(values, [0.25, 0.75])
    inner = np.quantile(step, [0.25, 0.75])
    return bool(inner[1] - inner[0] < 0.2 * (high - low))
