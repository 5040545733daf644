"""Layout `stages`: one row is a loop with instants at which its stages begin or end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.errors import LogError
from looptime.parsers.clock.unwrap import unwrap
from looptime.parsers.columns.evidence import (
    CLOCK_WORDS,
    NOT_PARTS,
    lie_within_loops,
    marked,
    rises,
    scaled,
    shown,
)
from looptime.parsers.columns.headers import Head, roles
from looptime.parsers.columns.second_clock import names_clock, use_steadier, want_second
from looptime.parsers.columns.signals import loops_after, signal_columns, signal_wants
from looptime.parsers.columns.unit import Unit, check_periods, clock_unit, tick_of, time_want
from looptime.parsers.layouts.contract import LoopRows, Options, Outcast, Parsed, Parts
from looptime.parsers.layouts.nesting import nest, parents_first
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.source import Source
from looptime.parsers.text.table import Table, Want, read_table
from looptime.run import Clock
from looptime.units import UNITS

__all__ = ["COLUMNS", "NAME", "Stretch", "fit", "parse", "stretches"]

NAME = "stages"
Int = NDArray[Any]

#: Column map: what plays a part beside the instants, by its spellings in order of preference.
COLUMNS: dict[str, tuple[str, ...]] = {
    "loop": ("loop", "loopnumber", "loopindex", "loopcount", "iteration", "iter", "cycle", "pass"),
    "phase": ("phase", "mode", "state"),
}
#: Stems of the instants that bound the whole loop.
LOOP_STEMS = ("", "loop", "cycle", "iteration", "time", "t", "timestamp", "tick", "frame", "ts")
_DURATIONS = ("total", "dt", "duration", "period", "elapsed", "delta", "took", "interval", "age")


@dataclass(frozen=True)
class Stretch:
    """A stretch between two instants of a loop: places among them; `last` is -1 for the next row.

    Parameters
    ----------
    name : str
        Name of the stage.
    first, last : int
        Where it begins and ends.
    """

    name: str
    first: int
    last: int


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> dict[str, Head] | None:
    """The parts that the columns play if this is a `stages` log, None if it is not one."""
    given = roles([head for head in found if head.unit is None], COLUMNS)
    taken = {head.index for head in given.values()}
    candidates = [head for head in found if head.index not in taken and _timed(head, dialect)]
    instants = [head for head in candidates if _instant(head, dialect)]
    default = next((head.unit for head in instants if head.unit), None)
    if len(instants) < 2:
        return None
    if not asked:
        stages = [h for h in instants if h.word not in CLOCK_WORDS or marked(h).side]
        timed = [h for h in stages if h.unit or marked(h).side]
        if not timed or (len(timed) == 1 and len(instants) > 2):
            return None
        if len(timed) < len(stages):  # values without a unit that merely climb are signals
            instants = [h for h in instants if h in timed or h not in stages]
        others = [h for h in candidates if h not in instants and h.unit and h.word not in NOT_PARTS]
        if any(h.word not in _DURATIONS and not marked(h).side for h in others):
            return None
        named = {marked(h).stem.lower() for h in instants} - set(LOOP_STEMS)
        if not named and not any(marked(h).side == "end" for h in instants):
            return None
    within = lie_within_loops([scaled(dialect, head, default) for head in instants])
    if within is False:
        instants, within = _without_host_clock(dialect, instants, default)
    if within is False or (
        within is None and not asked and not any(marked(h).side for h in instants)
    ):
        return None
    middle = [float(np.nanmedian(_since(dialect, head, instants, default))) for head in instants]
    for at, where in enumerate(np.argsort(middle, kind="stable")):
        given[f"stage {at}"] = instants[where]
    return given


def _without_host_clock(
    dialect: Dialect, instants: list[Head], default: str | None
) -> tuple[list[Head], bool | None]:
    """Leave out one column that tells the time of another clock, where the rest then agree."""
    for clock in instants:
        rest = [head for head in instants if head is not clock]
        if len(rest) < 2 or marked(clock).side or not names_clock(clock):
            continue
        within = lie_within_loops([scaled(dialect, head, default) for head in rest])
        if within:
            return rest, within
    return instants, False


def _timed(head: Head, dialect: Dialect) -> bool:
    if head.word in ("index", "row", "line", "id"):
        return False
    values = numbers(dialect, head.index)
    return bool(len(values)) and np.isfinite(values).mean() > 0.5


def _instant(head: Head, dialect: Dialect) -> bool:
    if head.word in _DURATIONS or head.word in NOT_PARTS:
        return False
    values = numbers(dialect, head.index)
    return rises(values) or len(values) < 3


def _since(
    dialect: Dialect, head: Head, instants: list[Head], default: str | None
) -> NDArray[np.float64]:
    """Time of an instant after the earliest in its row."""
    every = np.stack([scaled(dialect, other, default) for other in instants])
    return scaled(dialect, head, default) - np.fmin.reduce(every)


def stretches(found: list[Head]) -> list[Stretch]:
    """What the instants of a loop, in the order of time, mark off.

    ``x_start`` with ``x_end`` is a stretch from one to the other; ``x_end`` alone began at the
    instant before it; ``x_start`` alone lasts until the instant after it. A bare name is the
    stretch that ends there if the first instant is the loop's start, else the one that begins.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> [(s.name, s.first, s.last) for s in stretches(heads(("loop_start", "gyro", "drive")))]
    [('gyro', 0, 1), ('drive', 1, 2)]
    >>> [(s.name, s.first, s.last) for s in stretches(heads(("gyro", "drive")))]
    [('gyro', 0, 1), ('drive', 1, -1)]
    >>> names = ("loop_start", "gyro_start", "gyro_end", "loop_end")
    >>> [(s.name, s.first, s.last) for s in stretches(heads(names))]
    [('gyro', 1, 2)]
    """
    marks = [marked(head) for head in found]
    bounds = [mark.stem.lower() in LOOP_STEMS for mark in marks]
    begins = {mark.stem: at for at, mark in enumerate(marks) if mark.side == "begin"}
    ends = {mark.stem: at for at, mark in enumerate(marks) if mark.side == "end"}
    made = []
    for at, (mark, bound) in enumerate(zip(marks, bounds, strict=True)):
        name = mark.stem if mark.side else shown(found[at])
        if bound:
            continue
        if mark.side == "begin":
            last = ends.get(mark.stem, at + 1 if at + 1 < len(marks) else -1)
            made.append(Stretch(name, at, last))
        elif mark.side == "end" and mark.stem in begins:
            continue
        elif mark.side == "end" or bounds[0]:
            if at:
                made.append(Stretch(name, at - 1, at))
        else:
            made.append(Stretch(name, at, at + 1 if at + 1 < len(marks) else -1))
    return made


def parse(
    source: Source, dialect: Dialect, given: dict[str, Head], options: Options
) -> list[Parsed]:
    """Read a `stages` log."""
    instants = [head for role, head in given.items() if role.startswith("stage ")]
    unit = _unit(source, dialect, instants, options)
    wants = []
    for role, head in given.items():
        if role.startswith("stage "):
            own = unit
            if head.unit and unit.said == "header":
                own = Unit(head.unit, UNITS[head.unit], unit.said)
            wants.append(time_want(role, dialect, head, own))
        else:
            wants.append(Want(role, head.index, "word" if role == "phase" else "count"))
    second, given = want_second(dialect, given, unit, wants, "stage 0")
    table = read_table(source, dialect, [*wants, *signal_wants(signal_columns(dialect, given))])
    # a second clock tells one instant a loop: the stages stay on their own
    unit, other = use_steadier(table, "stage 0", given, second, unit, may_swap=False)
    wraps = unwrap(table, [f"stage {k}" for k in range(len(instants))], unit)
    rows, outcast = _loops(table, instants, source.path)
    lengths = np.diff(rows.start)
    if len(lengths):
        check_periods(float(np.median(lengths) or lengths.mean()), unit, source.path)
    sample = np.concatenate([table.columns[f"stage {k}"][:100_000] for k in range(len(instants))])
    notes: tuple[str, ...] = ()
    if rows.parts is not None and len(np.unique(rows.parts.name)) < len(rows.parts.names):
        notes = ("stages that overlap others without lying in them are left out",)
    clock = Clock(
        unit.name, unit.said, tick_of(sample, unit.ns), wraps=wraps, notes=notes, other=other
    )
    return [Parsed(NAME, table, clock, loops=rows, outcast=outcast)]


def _unit(source: Source, dialect: Dialect, instants: list[Head], options: Options) -> Unit:
    first = numbers(dialect, instants[0].index)
    header = next((head.unit for head in instants if head.unit), None)
    steps = np.diff(first[np.isfinite(first)])
    asked = (options.unit, options.unit_from)
    return clock_unit(dialect, instants[0], header, asked, source.path, steps)


def _loops(table: Table, instants: list[Head], path: str) -> tuple[LoopRows, Outcast]:
    at, count, marked_off = table.columns, len(instants), stretches(instants)
    outcast = Outcast()
    times = np.stack([at[f"stage {k}"] for k in range(count)], axis=1)
    first = times[:, 0]
    wrong = (times < first[:, None]).any(axis=1)
    for stretch in marked_off:
        if stretch.last >= 0:
            wrong |= times[:, stretch.last] < times[:, stretch.first]
    outcast.add(np.flatnonzero(wrong), "negative duration")
    row = np.flatnonzero(~wrong)
    over = np.zeros(len(row), bool)
    step = np.diff(first[row])
    over[:-1] = (step > 0) & (times[row].max(axis=1)[:-1] > first[row][1:])
    outcast.add(row[over], "overlaps another call")
    row = row[~over]
    if not len(row):
        raise LogError("holds no loop that can be used: its instants are out of order", path)
    times = times[row]
    lost = loops_after(table, row, at)
    if wrong.any() or over.any():
        gone = np.append(np.diff(row) > 1, False)
        lost = gone if lost is None else lost | gone
    following = np.append(times[1:, 0], times[-1:, -1])
    if lost is not None:
        following[lost] = times[lost].max(axis=1)
    body = None
    last = marked(instants[-1])
    if last.side == "end" and last.stem.lower() in LOOP_STEMS:
        body = times[:, -1] - times[:, 0]
    phases = table.words.get("phase", [])
    rows = LoopRows(
        row, times[:, 0], None, {
            key.removeprefix("signal "): column[row]
            for key, column in at.items() if key.startswith("signal ")
        },
        at["phase"][row] if any(phases) else None, phases,
        at["loop"][row] if "loop" in at else None,
        _parts(times, following, marked_off), body, lost, "the first instants of the rows",
    )  # fmt: skip
    return rows, outcast


def _parts(times: Int, following: Int, marked_off: list[Stretch]) -> Parts | None:
    """The stretches of every loop, nested where one lies in another."""
    if not marked_off:
        return None
    loops, count = len(times), len(marked_off)
    begin = np.stack([times[:, s.first] for s in marked_off], axis=1) - times[:, :1]
    end = np.stack([following if s.last < 0 else times[:, s.last] for s in marked_off], axis=1)
    end = np.maximum(end - times[:, :1], begin)
    # loops are set apart for the search, so that nothing lies in another loop's stretch
    base = np.cumsum(end.max(axis=1) + 1)[:, None] - end.max(axis=1)[:, None] - 1
    start, stop = (begin + base).ravel(), (end + base).ravel()
    loop = np.repeat(np.arange(loops), count)
    name = np.tile(np.arange(count, dtype=np.int32), loops)
    order = parents_first(start, stop)
    if order is not None:
        start, stop, loop, name = start[order], stop[order], loop[order], name[order]
    found = nest(start, stop)
    good = ~found.overlaps
    origin = base.ravel()[loop]
    return Parts(
        loop[good], name[good], (start - origin)[good], (stop - start)[good],
        found.self_ns[good], found.depth[good], [s.name for s in marked_off],
    )  # fmt: skip
