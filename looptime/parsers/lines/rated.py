"""Counters whose headers state how fast they count: ``start_ticks_84MHz``, ``adc [cyc/16MHz]``."""

import re

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.columns.evidence import clocklike, counts_rows, rises
from looptime.parsers.columns.lexicon import CLOCKS_OR_LENGTHS, of_a_clock
from looptime.parsers.columns.unit import LONGEST_NS, SHORTEST_NS
from looptime.parsers.lines.counted import COUNT, RATES, to_ns, without_wraps
from looptime.parsers.lines.grid import Grid, is_stamp
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.records import dataclass
from looptime.units import LONGEST_NAME, UNITS, split_unit, word_unit

__all__ = ["Rated", "by_rates", "climbs", "clocks_beside", "clocks_of", "rated", "with_clocks"]

#: A rate that stands in a header, perhaps divided by a prescaler.
_RATE = re.compile(
    r"[\s_.,@(\[/-]*(?:at[\s_]+|1[\s_]*/[\s_]*)?(\d+(?:[.,p]\d+)?)[\s_]?([GMk]?)Hz"
    r"(?:[\s_]*(?:/|div|prescaler|presc|psc)[\s_]*(\d+))?[\s)\]]*",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Rated:
    """A header that states how fast its column counts."""

    stem: str  #: The header without the rate and the words for a count
    hz: float  #: Counts in a second
    said: str  #: The rate as the header writes it
    counts: bool  #: Whether it says beside the rate that it counts


def rated(header: str) -> Rated | None:
    """The rate that a header states; None where it states none, or another unit as well.

    Examples
    --------
    >>> rated("start_ticks_84MHz")
    Rated(stem='start', hz=84000000.0, said='84MHz', counts=True)
    >>> rated("adc (cycles @ 16 MHz / 64)").hz, rated("lidar_10Hz").counts
    (250000.0, False)
    >>> rated("spi_1MHz_us") is None, rated("heading") is None
    (True, True)
    """
    found = _RATE.search(header) if len(header) <= LONGEST_NAME else None
    if found is None or split_unit(header)[1] is not None:
        return None
    hz = float(re.sub("[,p]", ".", found[1])) * RATES[found[2].lower()] / float(found[3] or 1)
    rest = f"{header[: found.start()]} {header[found.end() :]}"
    stem = re.sub(r"[\s_.]+", "_", COUNT.sub(" ", rest)).strip("_-()[] ")
    if not hz > 0 or split_unit(rest.strip())[1] is not None:
        return None
    return Rated(stem, hz, found[0].strip(" _.,@()[]-"), COUNT.search(rest) is not None)


def by_rates(grid: Grid, like: Dialect, path: str, unit: str | None = None) -> str:
    """Columns whose headers state how fast they count, as nanoseconds.

    A clock's steps are to be a loop's, and as long as those of another clock beside it; lengths
    count by a word, or beside such a clock: rates stand in headers of signals, too. A unit that
    the caller gives is the clock's, whatever the header says.
    """
    stated = {at: found for at, name in enumerate(grid.names) if (found := rated(name))}
    climbing = {at: found for at, found in stated.items() if climbs(numbers(like, at))}
    others = clocks_of(grid, like, [*stated])
    given = unit if climbing and not others else None
    clocks = {at: found for at, found in climbing.items() if _paced(grid, like, at, found, others)}
    if given:
        clocks = {at: found for at, found in climbing.items() if found.counts}
    elif climbing and not clocks and not others:
        _refuse_rate(grid, like, climbing, path)
    alike = {found.hz for found in clocks.values()}
    taken = clocks | {
        at: found for at, found in stated.items()
        if at not in climbing and (found.hz in alike or (found.counts and found.hz >= 1000))
    }  # fmt: skip
    for at, found in taken.items():
        if not given:
            grid.put(at, to_ns(grid.cells(at), 1e9 / found.hz, "", at in clocks))
        grid.names[at] = f"{found.stem or 'time'} [{given or 'ns'}]"
    if not taken:
        return ""
    rates = ", ".join(dict.fromkeys(found.said for found in taken.values()))
    if given:
        return f"counts are taken for {given}, as --unit says, in place of {rates} by the header"
    return f"counts are brought to ns: {rates} by the header"


def _paced(grid: Grid, like: Dialect, at: int, found: Rated, others: list[int]) -> bool:
    """Whether counts at the rate that their header states go on as a loop's clock does."""
    step = 1e9 / found.hz * _forward(like, at)
    if not others:
        timed = found.counts or (found.hz >= 1000 and bool((numbers(like, at) % 1 == 0).all()))
        return timed and SHORTEST_NS / 4 <= step <= 4 * LONGEST_NS
    return _as_long(grid, like, step, others)


def _as_long(grid: Grid, like: Dialect, step: float, others: list[int]) -> bool:
    """Whether a step [ns] is as long as those of a clock beside it, in the unit of that or in any.

    A clock is printed in a unit of its own where its header is nothing else.
    """
    names = [grid.names[other] for other in others]
    units = [split_unit(name)[1] or word_unit(name.strip()) for name in names]
    beside = [_forward(like, other) for other in others]
    return any(0.7 <= step / (own * UNITS[unit]) <= 1.4
               for own, one in zip(beside, units, strict=True)
               for unit in ([one] if one else UNITS))  # fmt: skip


def _forward(like: Dialect, at: int) -> float:
    """Mean step forward of a column's first rows, which bears a coarse clock."""
    step = np.diff(numbers(like, at))
    return float(step[step > 0].mean()) if (step > 0).any() else 1e-30


def _refuse_rate(grid: Grid, like: Dialect, climbing: dict[int, Rated], path: str) -> None:
    """Ask for the rate of a clock whose header states one at which no loop runs."""
    at = next((at for at, found in climbing.items() if found.counts), None)
    if at is None:
        return
    found = climbing[at]
    raise LogError(
        f"the header of {grid.names[at]!r} says {found.said}, but then a loop lasts "
        f"{1e3 * _forward(like, at) / found.hz:.3g} ms: name the rate at which it counts in the "
        "header (that after a prescaler), or the unit of its times with --unit",
        path,
    )


def climbs(values: Float) -> bool:
    """Whether values are a counter's, wraps included."""
    return (rises(values) or without_wraps(values) is not None) and not counts_rows(values)


def clocks_of(grid: Grid, like: Dialect, but: list[int]) -> list[int]:
    """Columns that a clock may be, except some."""
    return [
        at
        for at in range(len(grid.names))
        if at not in but
        and (is_stamp(grid.names[at]) or split_unit(grid.names[at])[1])
        and clocklike(like, at)
    ]


def clocks_beside(grid: Grid, like: Dialect, but: list[int]) -> list[int]:
    """Columns that go on as a clock does and are named like one, in any unit, except some."""
    return [
        at
        for at, name in enumerate(grid.names)
        if at not in but
        and clocklike(like, at)
        and (is_stamp(name) or split_unit(name)[1] or of_a_clock(name)
             or name.strip().lower() in CLOCKS_OR_LENGTHS)
    ]  # fmt: skip


def with_clocks(grid: Grid, like: Dialect, counts: list[int], ns: float) -> list[int]:
    """Of columns that count up, those that do so as fast as a clock beside them in counts of `ns`.

    What counts turns of a wheel does not; all where no clock is beside them.
    """
    others = clocks_beside(grid, like, counts)
    return [at for at in counts
            if not others or _as_long(grid, like, ns * _forward(like, at), others)]  # fmt: skip
