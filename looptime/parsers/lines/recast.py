"""Columns that hold times in another form, brought to times: minutes, counters, rates, sums."""

import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError
from looptime.parsers.columns.against_steps import Steps, evident
from looptime.parsers.columns.evidence import counts_rows, rises
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.judged import understand
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.columns.role import Seen
from looptime.parsers.columns.unit import is_plausible
from looptime.parsers.lines.counted import (
    COUNT,
    SLOWEST,
    count_ns,
    counts,
    of_a_counter,
    to_ns,
    without_wraps,
)
from looptime.parsers.lines.counted_beside import of_an_edge, times_beside
from looptime.parsers.lines.grid import Grid, is_stamp
from looptime.parsers.lines.loop_rates import PER_S, by_loop_rates, period_of
from looptime.parsers.lines.rated import by_rates, climbs, clocks_beside, clocks_of, with_clocks
from looptime.parsers.lines.serial_days import by_serial_days
from looptime.parsers.lines.unit_column import by_unit_column
from looptime.parsers.text.dialect import LONGEST_REMARK, Dialect, is_number, numbers
from looptime.signal_names import quantity_of
from looptime.stated_columns import StatedColumns
from looptime.units import LONGEST_NAME, UNITS, split_unit

__all__ = ["MULTIPLE", "recast"]

#: Loops of a usual length, and the longest count that such are told in without its name [ns].
_SHORTEST, _LONGEST, _COUNT = 2e4, 1e9, 1e6
#: Rows that tell a clock by what stands beside it.
_ENOUGH = 20
_MINUTES = re.compile(r"^(.*?)(?:[\s_.,]+|[\[(]\s*)(?:min|mins|minutes?)\s*[\])]?$", re.IGNORECASE)
#: A time that may count down; a plain clock that falls is a log with the newest row first.
_LEFT = re.compile(
    r"left|remain|count[\s_]?down|timer|to[\s_]?go|(?:match|round|game|period)[\s_]?time",
    re.IGNORECASE,
)
#: The name of a column of a multiple of a unit, such as "ticks (100 ns)".
MULTIPLE = re.compile(
    r"^(.*?)[\s_]*[\[(]\s*(\d+(?:\.\d+)?)\s*(ns|us|µs|ms)\s*[\])]$", re.IGNORECASE
)
#: What a line says of a column by its name: ``T = 0.1 ms``, ``# t counts 4 us``.
_LASTS = (
    r"(?<![\w.]){}\s*(?:[:=]|is|are|in|counts?(?:\s+in)?|(?:ticks?|counts?|steps?|units?)\s+of)"
    r"(?:\s+(?:ticks?|counts?|steps?|units?)\s+of)?\s*(\d+(?:\.\d+)?)\s*(ns|us|\u00b5s|ms)\b"
)
#: A loop whose pace is stated steps by it, but for so much.
_THE_PACE = 0.2
_OF_A_LOOP = re.compile(r"of[\s_]*(?:the[\s_]*)?(?:loop|cycle|period|total)", re.IGNORECASE)
_SHARE = re.compile(
    r"[\s_.]*(?:[\[(]?%|(?:^|[\s_.\[(])(?:pct|percent))"
    rf"(?:[\s_]*{_OF_A_LOOP.pattern})?[\])]?$",
    re.IGNORECASE,
)
#: That all columns count, and the share of the loops in which a length fits in.
_COUNTS_ALL = re.compile(r"\b(?:all|every)\b.*\b(?:ticks|counts|cycles)\b", re.IGNORECASE)
_FITS = 0.95
_SUM = re.compile(r"[\s_.]*(?:cumulative|cum|accumulated|accum|total|sum|so[\s_]far)[\s_.]*",
                  re.IGNORECASE)  # fmt: skip


def recast(
    grid: Grid, like: Dialect, remarks: list[str], path: str, unit: str | None = None
) -> tuple[list[str], StatedColumns | None]:
    """Bring columns of a grid to times, in place; what was done, and what the columns are.

    Parameters
    ----------
    grid : Grid
        A table with a header.
    like : Dialect
        How it is written, with its first rows.
    remarks : list of str
        Comment lines, which may say how fast a counter counts.
    path : str
        The log, for messages.
    unit : str, optional
        Unit that the caller gives; it goes before the rate in a header.

    Raises
    ------
    LogError
        If the clock counts cycles or ticks and nobody says how long they are.
    """
    said = [by_unit_column(grid, like)]
    if said[0]:
        first = tuple(tuple(grid.rows[at] or ()) for at in grid.found()[: len(like.sample)])
        like = replace(like, header=tuple(grid.names), fields=len(grid.names), sample=first)
    printed = list(grid.names)
    _name_multiples(grid, like, remarks)
    said += [_multiples(grid, like), by_rates(grid, like, path, unit)]
    names = [split_unit(name) for name in grid.names]
    known = of_a_counter(remarks)
    counted = [
        at
        for at, (stem, unit) in enumerate(names)
        if unit is None
        and (counts(stem) or (known and (of_an_edge(stem) or _ticks(like, at, stem, remarks))))
        and not counts_rows(numbers(like, at))
    ]
    if counted:
        said.append(_counters(grid, like, counted, remarks, path))
    elif not any(unit for _, unit in names):
        said.append(_counts_of_a_rate(grid, like, remarks))
    said.append("" if unit else times_beside(grid, like, printed, remarks))
    said += [change(grid, like) for change in (by_serial_days, _minutes, _countdown)]
    said += by_loop_rates(grid, like, path)
    shares, stated = _shares(grid, like)
    said += [shares, _sums(grid, like)]
    return [one for one in said if one], stated


def _counters(grid: Grid, like: Dialect, counted: list[int], remarks: list[str], path: str) -> str:
    """Cycles and ticks as nanoseconds."""
    clocks = [at for at in counted if climbs(numbers(like, at))]
    ns, told = count_ns(remarks, [grid.cells(at) for at in clocks])
    if ns is None:
        lasts = any(meaning(name) == "period" for name in grid.names)  # a loop's length is enough
        if clocks and not lasts and not clocks_beside(grid, like, clocks):
            raise LogError(
                f"{grid.names[clocks[0]]!r} counts, and nobody says how fast: name the rate in a "
                "line at the top of the log, such as `# counter_hz: 100000000`, if it counts time; "
                "if not, log the time of every loop beside it, such as time_ms",
                path,
            )
        return ""
    timed = with_clocks(grid, like, clocks, ns)
    counted = [at for at in counted if at in timed or at not in clocks]
    clocks = timed
    if not counted:
        return ""
    said = (ns, told, _all_count(remarks))
    if len(counted) == len(clocks) == 1 and _counts_beside(grid, like, clocks[0], said):
        return f"counts are brought to ns: {told}"
    for at in counted:
        grid.put(at, to_ns(grid.cells(at), ns, told, at in clocks))
        beside = bool(clocks) or "time [ns]" in grid.names
        bare = "time" if at in clocks or not beside else "duration"
        grid.names[at] = f"{COUNT.sub('', grid.names[at]).strip(' _.') or bare} [ns]"
    return f"counts are brought to ns: {told}"


def _name_multiples(grid: Grid, like: Dialect, remarks: list[str]) -> None:
    """Write into a clock's name what a line says that one of its counts lasts, in place.

    Of a column that steps by as much as is said, and of one that counts loops, it is the pace.
    """
    said = "\n".join(remarks).lower()
    for at, name in enumerate(grid.names):
        if not name.strip() or name.strip().lower() not in said:
            continue
        of = re.compile(_LASTS.format(re.escape(name.strip())), re.IGNORECASE)
        told = [found for found in map(of.search, remarks) if found]
        if not told or split_unit(name)[1] is not None:
            continue
        values = numbers(like, at)
        steps = np.abs(np.diff(values))[np.isfinite(np.diff(values))]
        step = float(np.median(steps)) if len(steps) and climbs(values) else 0.0
        for found in told if step > 1 else ():
            unit = found[2].lower().replace("µ", "u")
            ns = float(found[1]) * UNITS[unit]
            if ns > 0 and not _is_pace(step, ns) and is_plausible(np.array([step]), ns):
                grid.names[at] = f"{name} ({found[1]} {unit})"
                break


def _short_names(grid: Grid) -> Iterator[tuple[int, str]]:
    """Columns with the names that are no longer than one is."""
    return ((at, name) for at, name in enumerate(grid.names) if len(name) <= LONGEST_NAME)


def _multiples(grid: Grid, like: Dialect) -> str:
    """Columns in a multiple of a unit, as "ticks (100 ns)", and the counts beside such a clock."""
    said = ""
    for at, name in _short_names(grid):
        found = MULTIPLE.match(name.strip())
        if found is None or not float(found[2]) > 0:
            continue
        ns, told = float(found[2]) * UNITS[found[3].lower().replace("µ", "u")], f"by {name!r}"
        clock = climbs(numbers(like, at))
        if not (clock and _counts_beside(grid, like, at, (ns, told, False))):
            grid.put(at, to_ns(grid.cells(at), ns, told, clock))
        grid.names[at] = f"{'time' if clock else found[1].strip(' _')} [ns]"
        said = f"multiples of a unit are brought to ns: {told}"
    return said


def _counts_of_a_rate(grid: Grid, like: Dialect, remarks: list[str]) -> str:
    """Counts under any header, where a line says how fast they count and the values agree."""
    ns, told = count_ns(remarks, [])
    if ns is None:
        return ""
    climbing = [at for at in range(len(grid.names)) if climbs(numbers(like, at))]
    of_counters = " ".join(filter(COUNT.search, remarks)).lower()
    if not climbing and ns <= SLOWEST and of_a_counter(remarks):
        return _lengths_alone(grid, like, ns, told)
    named = [at for at in climbing if of_counters and _named(grid.names[at], of_counters)]
    instants = named if len(named) > 1 else climbing if of_counters and not named else []
    if len(instants) < 2 and any(
        _paced(like, at, ns) and _counts_beside(grid, like, at, (ns, told, _all_count(remarks)))
        for at in named or range(len(grid.names))
    ):
        return f"counts are brought to ns: {told}"
    if len(instants) == 1 and of_a_counter(remarks) and _paced(like, instants[0], ns):
        named = instants
    for at in instants if len(instants) > 1 else named:  # all read from the one counter
        grid.put(at, to_ns(grid.cells(at), ns, told, True))
        grid.names[at] = f"{grid.names[at]} [ns]"
    return f"counts are brought to ns: {told}" if len(instants) > 1 or named else ""


def _paced(like: Dialect, at: int, ns: float) -> bool:
    """Whether the steps of a column are loops of a usual length in counts of `ns`.

    Instants with a fraction are no counts, and a rate at which the loops come is theirs.
    """
    values = numbers(like, at)
    step = np.diff(values)
    step = step[step > 0]
    if not len(step) or ns > _COUNT or (values % 1 > 0).any():
        return False
    usual = float(np.median(step))
    return _SHORTEST <= ns * usual <= _LONGEST and not _is_pace(usual, ns)


def _ticks(like: Dialect, at: int, name: str, remarks: list[str]) -> bool:
    """Whether a column that is called a count alone goes on as a clock does that counts so."""
    ns = count_ns(remarks, [])[0]
    values = numbers(like, at)
    return bool(COUNT.fullmatch(name.strip()) and ns and climbs(values) and _paced(like, at, ns))


def _is_pace(step: float, ns: float) -> bool:
    """Whether a step is as long in a plain unit as is said of something."""
    return any(abs(step * one / ns - 1) < _THE_PACE for one in UNITS.values())


def _lengths_alone(grid: Grid, like: Dialect, ns: float, told: str) -> str:
    """Bring lengths to ns where no clock stands beside them: the parts and the whole of a loop."""
    known = understand(heads(tuple(grid.names)), like)
    ours = [head.index for head, role in known.roles
            if role.taken_as in ("part", "whole", "period")]  # fmt: skip
    for at in ours:
        grid.put(at, to_ns(grid.cells(at), ns, told, False))
        grid.names[at] = f"{grid.names[at]} [ns]"
    return f"counts are brought to ns: {told}" if ours else ""


def _named(header: str, remarks: str) -> bool:
    """Whether remarks on counters name a column, or its header is a word for one."""
    word = re.escape(header.strip().lower())
    return bool(COUNT.fullmatch(header.strip()) or re.search(rf"(?<!\w){word}(?!\w)", remarks))


def _all_count(remarks: list[str]) -> bool:
    """Whether remarks say that all columns count."""
    return any(_COUNTS_ALL.search(line[:LONGEST_REMARK]) for line in remarks)


def _counts_beside(grid: Grid, like: Dialect, at: int, said: tuple[float, str, bool]) -> bool:
    """Bring a clock that counts to ns, and the columns that are lengths in its counts.

    The column rises but for its wraps, and its steps grow one for one with the others; `said` are
    the length of a count, who says so, and whether all columns are said to count.
    """
    ns, told, every = said
    values = [numbers(like, at) for at in range(len(grid.names))]
    clock = without_wraps(values[at])
    if clock is None or counts_rows(values[at]):
        return False
    rest = [k for k, (_, unit) in enumerate(map(split_unit, grid.names))
            if k != at and unit is None and np.isfinite(values[k]).any()]  # fmt: skip
    seen = [Seen("bare", values[k]) for k in rest]
    steps = Steps.of(clock, seen, {"count": 1})
    parts, unit = evident(seen, [*range(len(rest))], steps) if rest else ([], None)
    if unit is None:
        return False
    if every:  # but for what is no length by its name, or longer than a loop
        step = np.diff(clock)
        parts = [k for k, of in enumerate(rest) if k in parts or (
            quantity_of(grid.names[of]) is None and meaning(grid.names[of]) in ("bare", "duration")
            and np.nanmean(values[of][:-1] <= step) >= _FITS)]  # fmt: skip
    for k in (at, *(rest[part] for part in parts)):
        grid.put(k, to_ns(grid.cells(k), ns, told, k == at))
        grid.names[k] = f"{'time' if k == at else grid.names[k]} [ns]"
    return True


def _minutes(grid: Grid, like: Dialect) -> str:
    for at, name in _short_names(grid):
        found = _MINUTES.match(name.strip())
        values = numbers(like, at)
        step = np.diff(values)
        step = step[step > 0]
        if found is None or not rises(values) or not len(step):
            continue
        if 2e-5 <= 60 * np.median(step) <= 5:
            grid.put(at, [f"{60 * float(c):.9f}" if is_number(c) else c for c in grid.cells(at)])
            grid.names[at] = f"{found[1].strip(' _.') or 'time'} [s]"
            return f"{name!r} holds minutes"
    return ""


def _countdown(grid: Grid, like: Dialect) -> str:
    if clocks_of(grid, like, []):
        return ""
    for at, name in enumerate(grid.names):
        if not _LEFT.search(name):
            continue
        values = numbers(like, at)
        values = values[np.isfinite(values)]
        step = np.diff(values)
        if len(step) < 5 or (step < 0).sum() < 5:
            continue
        if (step <= 0).mean() > 0.95 and not clocks_of(grid, like, [at]):
            first = values[0]
            digits = max(len(c.partition(".")[2]) for c in grid.cells(at)[:400])
            grid.put(at, [f"{first - float(c):.{digits}f}" if is_number(c) else c
                            for c in grid.cells(at)])  # fmt: skip
            unit = split_unit(name)[1]
            grid.names[at] = f"time [{unit}]" if unit else "time"
            return f"{name!r} counts down: the time gone by is what is read"
    return ""


def _shares(grid: Grid, like: Dialect) -> tuple[str, StatedColumns | None]:
    """Parts of the loop in percent as lengths, where the loop's length is known."""
    mine = [at for at, name in _short_names(grid) if _SHARE.search(name.strip())]
    of_loop = [at for at in mine if _OF_A_LOOP.search(grid.names[at])]
    named = len(of_loop) > 1  # then a level or a charge in percent is no share of it
    mine = of_loop if named else mine
    values = np.column_stack([numbers(like, at) for at in mine]) if mine else np.zeros((0, 0))
    if len(mine) < 2 or not len(values) or np.nanmin(values) < 0:
        return "", None
    whole = np.nansum(values, axis=1)
    if not (np.abs(whole - 100) <= 3).mean() > 0.9 and not (named and whole.max() <= 101):
        return "", None
    length = _lengths_ms(grid, like)
    if length is None:
        return "", None
    every = np.column_stack([_values(grid, at) for at in mine])
    every *= (length / np.maximum(100, np.nansum(every, axis=1)))[:, None]
    for k, at in enumerate(mine):
        grid.put(at, [f"{ms:.6f}" if np.isfinite(ms) else "" for ms in every[:, k]])
        grid.names[at] = f"{_SHARE.sub('', grid.names[at].strip()).strip()} [ms]"
    said = "parts in percent are brought to lengths by the period of their loop"
    return said, _stated(grid, like, mine)


def _stated(grid: Grid, like: Dialect, parts: list[int]) -> StatedColumns | None:
    """What the columns are where there is nothing but parts and what gives the loop's length.

    Lengths made of one period rise and fall together: nothing could be told of them by that.
    """
    whole = period_of(grid)
    clocks = clocks_of(grid, like, [])
    if {*parts, *clocks, *([] if whole is None else [whole])} != set(range(len(grid.names))):
        return None
    roles = ["part ms" if at in parts else "period" if at == whole else "clock"
             for at in range(len(grid.names))]  # fmt: skip
    for at in {*clocks, *([] if whole is None else [whole])}:
        roles[at] += f" {split_unit(grid.names[at])[1] or ''}".rstrip()
    return StatedColumns(
        ",".join(grid.header()), tuple(roles), None if whole is not None else "end"
    )


def _lengths_ms(grid: Grid, like: Dialect) -> Float | None:
    """Each row's loop [ms], NaN where it is not known: a column, or the clock's step to the row."""
    per_ms = {"ns": 1e6, "us": 1e3, "ms": 1.0, "s": 1e-3}
    at = period_of(grid)
    if at is not None:
        return _values(grid, at) / per_ms[split_unit(grid.names[at])[1] or "ms"]
    for at in clocks_of(grid, like, []):
        unit = split_unit(grid.names[at])[1]
        if unit:
            step = np.diff(_values(grid, at), prepend=np.nan) / per_ms[unit]
            return np.where(step >= 0, step, np.nan)
    return None


def _sums(grid: Grid, like: Dialect) -> str:
    """Times added up since the start as the time of each row."""
    clocks = clocks_of(grid, like, [])
    clock = next((at for at in clocks if is_stamp(grid.names[at])), None)
    if clock is None and len(clocks) > 2:  # what gains most, if it is not called a sum
        most = max(clocks, key=lambda at: _gained_s(grid, like, at))
        clock = None if _SUM.search(grid.names[most][:LONGEST_NAME]) else most
    unit = None if clock is None else split_unit(grid.names[clock])[1]
    if clock is None or unit is None:
        return ""
    gained, steps = _gained(numbers(like, clock))
    if not len(steps):
        return ""
    gone, period = gained / PER_S[unit], float(np.median(steps)) / PER_S[unit]
    found = []
    for at, name in _short_names(grid):
        own, values = split_unit(name)[1], numbers(like, at)
        if at == clock or own is None or is_stamp(name) or not rises(values):
            continue
        # a part that happens to rise stays within its loop, a sum soon exceeds it
        if not _SUM.search(name) and not np.nanmedian(values) / PER_S[own] > period:
            continue
        gained, steps = _gained(values)
        if 0 < gained / PER_S[own] <= 0.97 * gone and (steps > 0).mean() > 0.5:
            found.append((at, gained / PER_S[own]))
    named = any(_SUM.search(grid.names[at]) for at, _ in found)
    if (
        not found
        or (len(found) < 2 and not named)
        or sum(share for _, share in found) > 1.02 * gone
    ):
        return ""
    for at, _ in found:
        grid.put(at, _differences(grid.cells(at)))
        stem, own = split_unit(grid.names[at])
        grid.names[at] = f"{_SUM.sub(' ', stem).strip() or stem} [{own}]"
    return "columns that add up from row to row are read by what each row adds"


def _gained_s(grid: Grid, like: Dialect, at: int) -> float:
    """What a column gains over its rows [s], in the unit of its header."""
    return _gained(numbers(like, at))[0] / PER_S[split_unit(grid.names[at])[1] or "s"]


def _gained(values: Float) -> tuple[float, Float]:
    """What a column gains over its rows, restarts left out, and its steps."""
    step = np.diff(values[np.isfinite(values)])
    return float(step[step > 0].sum()), step


def _differences(cells: list[str]) -> list[str]:
    """What each row adds; a sum that begins anew adds what it holds."""
    digits = max((len(c.partition(".")[2]) for c in cells[:400]), default=0)
    made = []
    before: float | None = None
    for cell in cells:
        now = float(cell) if is_number(cell) else None
        if now is None or before is None:
            made.append("")
        else:
            made.append(f"{now - (before if now >= before else 0):.{digits}f}")
        before = before if now is None else now
    return made


def _values(grid: Grid, at: int) -> Float:
    return np.array([float(c) if is_number(c) else np.nan for c in grid.cells(at)])
