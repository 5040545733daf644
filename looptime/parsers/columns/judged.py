"""The roles of a log's columns, judged by its headers and first rows."""

import re
from dataclasses import replace
from itertools import chain

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.begins_within import begins_within
from looptime.parsers.columns.disorder import disordered, one_block
from looptime.parsers.columns.ends_of_work import with_ends
from looptime.parsers.columns.evidence import (
    counts_anew,
    counts_rows,
    counts_some,
    goes_level,
    in_between,
    rises,
    shown,
    wordy,
)
from looptime.parsers.columns.headers import Head, roles
from looptime.parsers.columns.laps import LAP, find_laps
from looptime.parsers.columns.lexicon import (
    CLOCKS,
    CLOCKS_OR_LENGTHS,
    COUNTS,
    PHASES,
    bare_name,
    meaning,
    names_count,
    of_a_clock,
    of_an_instant,
)  # fmt: skip
from looptime.parsers.columns.phases import find_phase
from looptime.parsers.columns.rising import (
    ROWS_OF_A_CLOCK,
    counts_round,
    falls_short,
    finer,
    never_falls,
    numbers_rows,
    only_rises,
    rounds,
    sampled,
    since_1970,
    stands_at_zero,
    steps_by_lengths,
    unit_of,
)
from looptime.parsers.columns.role import ROUND, Judged, Role, Seen, Stamped
from looptime.parsers.columns.roles import judge
from looptime.parsers.columns.unit import Unit, in_16_bits, text_unit
from looptime.parsers.columns.wraps import keeps_time
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.records import dataclass
from looptime.signal_names import quantity_of
from looptime.stated_columns import StatedColumns
from looptime.units import UNITS

__all__ = ["Understood", "find_clock", "instants", "understand"]

#: Words of an instant at which something was to happen.
_PLANNED = frozenset(
    ("expected", "planned", "scheduled", "target", "nominal", "ideal", "due", "intended", "should",
     "deadline", "soll")
)  # fmt: skip
#: Rows, and the correlation with their order, that show a number to climb.
_CLIMB, _CLIMBS = 20, 0.8
#: Share of the numbers that are all different, so that they take every value of their range.
_ALL_OTHERS = 0.95
_LATER = "its header says so, and no row at the start of the log holds it"
_MAY_COUNT = ("bare", "duration", "clock")  # by its header
_LONGEST = 2.0**62  # [ns], what whole numbers hold


@dataclass(frozen=True)
class Understood:
    """What every column of a log of one row a loop is taken for."""

    #: ``time``, ``period``, ``total``, ``loop``, ``phase``, where the log has them.
    one: dict[str, Head]
    parts: tuple[Head, ...]  #: With the unit that was inferred where the header names none
    roles: tuple[tuple[Head, Role], ...]  #: Every column that was judged
    stamped: Stamped


def find_clock(found: list[Head], dialect: Dialect) -> Head | None:
    """The column that tells the time: by its header if its values climb, else by them alone.

    Instants at which something was to happen are a clock only where no others are.
    """
    found = sorted(found, key=_is_planned)
    named = roles(found, {word: (word,) for word in CLOCKS})
    likely = [*named.values(), *(h for h in found if meaning(h.text) == "clock")]
    for head in likely:
        if _is_clock(head, dialect):
            return head
    for head in found:  # "host_s" may be a length as well: only one that rises all along is a clock
        if of_a_clock(head.text) and never_falls(numbers(dialect, head.index)):
            return head
        if head.word in CLOCKS_OR_LENGTHS and only_rises(numbers(dialect, head.index)):
            return head
    dated = (h for h in found if text_unit(dialect, h) is not None or since_1970(h, dialect))
    rising = (h for h in found if of_an_instant(h.text) and only_rises(numbers(dialect, h.index)))
    return next(chain(dated, rising), None)


def _is_planned(head: Head) -> bool:
    return not _PLANNED.isdisjoint(re.findall(r"[a-z]+", head.text.lower()))


def _is_clock(head: Head, dialect: Dialect) -> bool:
    values = numbers(dialect, head.index)
    known = values[np.isfinite(values)]
    if not len(known):
        return text_unit(dialect, head) is not None
    if head.unit is None and counts_rows(known) and head.word in COUNTS:
        return False
    if len(known) >= ROWS_OF_A_CLOCK and (known == 0).mean() > 0.5 and not stands_at_zero(known):
        return False  # what most loops do not do
    odd = in_16_bits(known) or not goes_level(known) or bool(disordered(known))
    return len(known) < 5 or rises(values) or (odd and head.word in CLOCKS)


def _unnamed_clock(found: list[Head], dialect: Dialect) -> Head | None:
    """The only column that does nothing but rise, if it names a unit or goes with the lengths."""
    rising = [
        head
        for head in found
        if meaning(head.text) != "signal" and only_rises(numbers(dialect, head.index))
        and not falls_short(head, found, dialect)
    ]  # fmt: skip
    counts = [head for head in rising if meaning(head.text) in ("counter", "group")]
    timed = [head for head in rising if head.unit and head not in counts]
    timed = [head for head in timed if not _is_planned(head)] or timed
    first = _first_of(timed, dialect)
    if first is not None:
        return first
    for head in rising:
        unit = unit_of(dialect, head)
        rest = [other for other in found if other is not head]
        said = None if unit is None else _judged(rest, dialect, head, unit)
        if said and (said.stamped.side or any(role.step for role in said.roles)):
            return head
    return None


def _times(found: list[Head]) -> list[Head]:
    """Columns that may hold times or lengths, by their headers."""
    others = ("signal", "counter", "group", "period", "setting")
    return [head for head in found if meaning(head.text) not in others]


def _first_of(timed: list[Head], dialect: Dialect) -> Head | None:
    """The only column, or that of two of one unit which begins what the other ends."""
    if len(timed) != 2 or timed[0].unit != timed[1].unit:
        return timed[0] if len(timed) == 1 else None
    for one, other in (timed, timed[::-1]):
        begin, end = numbers(dialect, one.index), numbers(dialect, other.index)
        if (begin <= end).all() and (end[:-1] <= begin[1:]).all():
            return one
    return None


def _judged(rest: list[Head], dialect: Dialect, clock: Head | None, unit: Unit | None) -> Judged:
    seen = [_seen(head, dialect, clock is None) for head in rest]
    laps = find_laps(rest, dialect, clock)
    for at, head in enumerate(rest):
        if head.index in laps:
            before = laps[head.index]
            began = numbers(dialect, before) if before >= 0 else 0.0
            seen[at] = replace(seen[at], meaning="duration", values=seen[at].values - began)
    times = None if clock is None or unit is None else sampled(dialect, clock, unit)
    counter = _counter(rest, dialect, clock, times)
    if counter is not None:
        none = np.full(len(seen[counter].values), np.nan)
        seen[counter] = replace(seen[counter], meaning="signal", values=none)
    said = judge(seen, times)
    roles = [
        replace(role, lap_of=laps[head.index], why=LAP) if head.index in laps else role
        for head, role in zip(rest, said.roles, strict=True)
    ]  # fmt: skip
    if any(role.taken_as == "part" for role in roles):
        roles = [Role("part", one.unit_ns, "header", _LATER, "likely") if _begins_later(one)
                 else role for one, role in zip(seen, roles, strict=True)]  # fmt: skip
    if counter is not None:
        roles[counter] = Role("signal", None, "", ROUND, "likely")
    return replace(said, roles=tuple(roles))


def _counter(
    rest: list[Head], dialect: Dialect, clock: Head | None, times: Float | None
) -> int | None:
    """The only column that goes round as a counter of time does, and so holds no lengths.

    Beside a clock it goes on as that does: a wait for a device goes round as well. Where several
    do, they are instants of the loop.
    """
    found = [(at, size) for at, head in enumerate(rest) if meaning(head.text) in _MAY_COUNT
             and (size := rounds(head, dialect))]  # fmt: skip
    if len(found) != 1 or (clock is not None and times is None):
        return None
    at, size = found[0]
    ns = UNITS[rest[at].unit or ""]
    values = numbers(dialect, rest[at].index) * ns
    return at if times is None or keeps_time(values, times, size * ns) else None


def _begins_later(one: Seen) -> bool:
    """Whether a column is a length by its header, and no row at the start of the log holds it."""
    return (
        one.meaning == "duration" and one.unit_ns is not None and not np.isfinite(one.values).any()
    )


def understand(found: list[Head], dialect: Dialect) -> Understood:
    r"""Take the columns of a log of one row a loop for what they are.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k * 20},{2 + k % 3},{90 + k % 5}\n" for k in range(30))
    >>> like = sniff("time_ms,gyro time,heading\n" + rows, "a.csv")
    >>> known = understand(heads(like.header), like)
    >>> known.one["time"].text, [(head.text, head.unit) for head in known.parts]
    ('time_ms', [('gyro time', 'ms')])
    """
    if dialect.stated is not None:
        return _stated(found, dialect, dialect.stated)
    dialect = _of_the_loop(found, dialect)
    one: dict[str, Head] = {}
    counts = [h for h in found if h.unit is None and h.word in COUNTS]
    counted = [h for h in counts if rises(numbers(dialect, h.index))]
    one |= roles(counted, {"loop": COUNTS})
    one |= roles([h for h in found if h.unit is None], {"phase": PHASES})
    clock = find_clock([h for h in found if h not in one.values()], dialect)
    clock = clock or _unnamed_clock(found, dialect) or steps_by_lengths(_times(found), dialect)
    clock = clock or counts_round(_times(found), dialect)
    unit = None
    if clock is not None and (unit := unit_of(dialect, clock)) is not None:
        left = [h for h in found if h is not clock and h not in one.values()]
        if (fine := finer(clock, unit, left, dialect)) is not None:
            clock, unit = fine, unit_of(dialect, fine)
    if clock is not None:
        one["time"] = clock
    times = None if clock is None or unit is None else sampled(dialect, clock, unit)
    if "loop" not in one:
        left = [h for h in found if h.unit is None and h not in one.values()]
        counts = [h for h in left if numbers_rows(h, dialect, times)]
        one |= {"loop": counts[0]} if counts else {}
    if "phase" not in one:
        phase = find_phase([h for h in found if h not in one.values()], dialect)
        one |= {} if phase is None else {"phase": phase}
    rest = [head for head in found if head not in one.values()]
    begins, of_parts = begins_within(rest, dialect, times, unit.ns if unit else None)
    begun = [(head, begins[head.index]) for head in rest if head.index in begins]
    rest = [head for head in rest if head.index not in begins]
    timed = [replace(head, unit=own, text=f"{head.text} [{own}]")
             if (own := of_parts.get(head.index)) else head for head in rest]  # fmt: skip
    said = _judged(timed, dialect, clock, unit)
    names = {ns: name for name, ns in UNITS.items()}
    taken = [
        (
            head if role.unit_ns is None else replace(head, unit=names[role.unit_ns]),
            role,
        )
        for head, role in zip(rest, said.roles, strict=True)
    ]
    taken += begun  # behind the others, which name each other by their places
    if times is not None and clock is not None and unit is not None:
        taken = with_ends(taken, dialect, clock, unit, times)
    for part, role in (("period", "period"), ("total", "whole")):
        first = [head for head, r in taken if r.taken_as == role]
        if first:
            one[part] = first[0]
    if "period" in one and times is not None and _too_coarse(times, one["period"], dialect):
        head = one.pop("time")
        why = "it steps by much of a loop, and what it climbs is the sum of the periods"
        taken.append((head, Role("run timer", None, "", why)))
    return Understood(
        one, tuple(h for h, r in taken if r.taken_as == "part"), tuple(taken), said.stamped
    )


def _of_the_loop(found: list[Head], dialect: Dialect) -> Dialect:
    """The first rows without those that hold none of the lengths: slower signals in between."""
    timed = [head for head in found if head.unit and meaning(head.text) != "clock"]
    if len(timed) < 2 or len(dialect.sample) < ROWS_OF_A_CLOCK:
        return dialect
    holds = np.any([np.isfinite(numbers(dialect, head.index)) for head in timed], axis=0)
    if not in_between(holds):
        return dialect
    kept = tuple(row for row, ours in zip(dialect.sample, holds, strict=True) if ours)
    return replace(dialect, sample=kept)


def _too_coarse(clock: Float, period: Head, dialect: Dialect) -> bool:
    """Whether the clock is coarser than the periods beside it, which add up to what it says."""
    if period.unit is None:
        return False
    lengths = numbers(dialect, period.index) * UNITS[period.unit]
    steps = np.unique(np.diff(clock)[np.diff(clock) > 0])
    if len(clock) < ROWS_OF_A_CLOCK or not len(steps) or np.isnan(clock).any():
        return False
    if steps[-1] >= _LONGEST:
        return False
    tick = float(np.gcd.reduce(np.rint(steps).astype(np.int64)))
    gone, summed = float(clock[-1] - clock[0]), float(np.nansum(lengths[:-1]))
    finer = len(np.unique(lengths)) > 2 * len(steps) and tick > 0.3 * float(np.nanmedian(lengths))
    return finer and abs(gone - summed) <= 2 * tick + 0.01 * gone


def _stated(found: list[Head], dialect: Dialect, stated: StatedColumns) -> Understood:
    """Columns taken for what the project says that they are."""
    one: dict[str, Head] = {}
    places = {"clock": "time", "loop number": "loop", "phase": "phase", "period": "period",
              "whole": "total"}  # fmt: skip
    taken = []
    for read in found:
        word, unit = stated.role(read.index)
        head = replace(read, unit=unit or read.unit)
        if word in places:
            one.setdefault(places[word], head)
        if word not in ("clock", "loop number", "phase", "skip"):
            ns = UNITS[head.unit] if head.unit else None
            taken.append((head, Role(word, ns, "project", "the project file says so")))
    clock = one.get("time")
    of_clock = None if clock is None else unit_of(dialect, clock)
    judged = _judged([head for head, _ in taken], dialect, clock, of_clock)
    taken = [  # what lies in what, and in whose row, is told by the values
        (head, replace(role, inside=found.inside if role.taken_as == "part" else -1)
         if role.taken_as != found.taken_as or role.taken_as not in ("period", "whole")
         else replace(role, step=found.step, moved=found.moved))
        for (head, role), found in zip(taken, judged.roles, strict=True)
    ]  # fmt: skip
    for at, told in enumerate(judged.roles):
        if told.left_of and taken[at][1].taken_as == "deviation":
            taken[at] = (taken[at][0], told)
            one.setdefault("total", taken[at][0])
    parts = tuple(head for head, role in taken if role.taken_as == "part")
    side = Stamped(stated.stamped, "as stated") if stated.stamped else judged.stamped
    return Understood(one, parts, tuple(taken), side)


def instants(dialect: Dialect, clock: Head) -> list[Float]:
    """First values of a clock [ns]; in each unit that they may be in, where the log says none."""
    unit = unit_of(dialect, clock)
    if unit is not None:
        return [sampled(dialect, clock, unit)]
    return [numbers(dialect, clock.index) * UNITS[one] for one in ("s", "ms", "us")]


def _seen(head: Head, dialect: Dialect, no_clock: bool) -> Seen:
    """A column with what its header says, as far as its values do not say otherwise."""
    values, means = numbers(dialect, head.index), meaning(head.text)
    if wordy(dialect, head.index):
        means, values = "signal", np.full(len(values), np.nan)
    elif means == "clock" and not rises(values):
        plain = head.word in CLOCKS and no_clock  # the time that a loop took
        means = "whole" if plain else "duration"
    elif (
        head.unit is None
        and (
            (means != "clock" and counts_anew(values))
            or (means == "whole" and head.word in COUNTS and _climbs(values))
        )
    ) or (means == "duration" and counts_some(names_count(head.text), values, dialect)):
        means = "counter"
    elif (angle := quantity_of(head.text)) is not None and angle.unit is not None:
        means = angle.word
    elif means == "latency" and no_clock and "end" in head.text.lower():
        means = "period"
    ns = UNITS[head.unit] if head.unit else None
    above, listed = dialect.said_above.get(head.text, ""), dialect.in_list.get(head.text)
    listed_ns = None if listed is None else UNITS.get(listed, 0)
    return Seen(means, values, ns, bare_name(head.text), shown(head), listed_ns, above)


def _climbs(values: Float) -> bool:
    """Whether numbers count at first, or all along but not from row to row.

    Those of two logs line by line do, those of rows that stand in another order, or again and again
    with the newest first. Lengths hardly ever take every value of their range once.
    """
    known = values[np.isfinite(values)]
    if len(known) > _CLIMB and counts_rows(known[:_CLIMB]):
        return True
    if len(known) < _CLIMB or (known % 1 != 0).any() or np.ptp(known) >= len(known):
        return False
    block = np.abs(np.diff(one_block(known)))
    if len(block) + 1 < len(known) and (block == 1).all():  # the same rows again and again
        return True
    met, times = np.unique(known, return_counts=True)
    if len(met) >= _ALL_OTHERS * len(known):  # rows in another order
        return True
    if len(met) < len(known) / 3:  # lengths in a coarse unit
        return False
    if times.max() == 2 and (np.diff(met) == 1).all():  # two that count, each at its own pace
        return True
    return float(np.corrcoef(known, np.arange(len(known)))[0, 1]) > _CLIMBS
