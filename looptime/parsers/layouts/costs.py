"""Layout `costs`: one row is a loop with a duration for each part; a total and a time may be."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.array_types import Bool, Int
from looptime.errors import LogError
from looptime.length_groups import called
from looptime.parsers.columns.disorder import disordered
from looptime.parsers.columns.evidence import (
    in_between,
    lie_within_loops,
    marked,
    scaled,
    shown,
    wordy,
)
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.inside import enclosing
from looptime.parsers.columns.judged import understand
from looptime.parsers.columns.laps import wrapping_instants
from looptime.parsers.columns.lexicon import CALL_NAMES, CLOCKS_OR_LENGTHS, meaning
from looptime.parsers.columns.refusals import words_change
from looptime.parsers.columns.role import Role
from looptime.parsers.columns.second_clock import keeps_time
from looptime.parsers.layouts.beside_stamp import beside_stamp, taken_over
from looptime.parsers.layouts.contract import (
    Column,
    Content,
    Found,
    Given,
    Layout,
    LoopRows,
)
from looptime.parsers.layouts.each_row import (
    COLUMNS,
    grain_of_ends,
    loop_rows,
    needed,
    own,
    row_limits,
    row_notes,
    unit,
)
from looptime.parsers.layouts.laid import lay_out
from looptime.parsers.layouts.some_loops import refuse_late_only, refuse_sums
from looptime.parsers.layouts.supposed import row_supposed
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.parsers.text.table import Member, Table

__all__ = ["LAYOUT"]


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The parts that the columns play if this is a `costs` log, None if it is not one."""
    known = understand(found, dialect)
    parts = [h for h, role in known.roles if role.taken_as == "part" and role.sure != "unsure"]
    if asked:
        parts = [h for h, role in known.roles if role.taken_as == "part" or _could_be(h, role)]
    if "time" in known.one:
        clock = scaled(dialect, known.one["time"], None)
        pairs = [[clock, scaled(dialect, head, None)] for head in parts]
        lengths = [h for h, pair in zip(parts, pairs, strict=True) if not lie_within_loops(pair)]
        parts = lengths or (parts if asked else [])
    if not asked:
        refuse_sums(known, dialect)
        refuse_late_only(known, dialect)
        _refuse_mixed([] if "time" in known.one else parts, dialect)
    if not parts:
        return None
    words = [
        wordy(dialect, h.index)
        for h in found
        if h.word in ("name", "call", "section")
        or (len(parts) == 1 and h.word in CALL_NAMES and _in_turn(dialect, h.index))
    ]
    columns = [scaled(dialect, head, None) for head in parts]
    instants = len(parts) > 1 and lie_within_loops(columns)
    if (
        instants and "time" in known.one and parts[0].unit
    ):  # lengths of a few rows may happen to rise
        instants = keeps_time(dialect, known.one["time"], columns[0])
    if not asked and (any(words) or instants or wrapping_instants(parts, dialect)):
        return None
    return Given(known.one, {"part": tuple(parts)}, roles=known.roles, stamped=known.stamped)


def _in_turn(dialect: Dialect, index: int) -> bool:
    """Whether each row has a word and another one often follows, as of a call to a row."""
    return words_change(dialect, index) and all(row[index] for row in dialect.sample)


def _refuse_mixed(parts: Sequence[Head], dialect: Dialect) -> None:
    """Refuse rows in no order, whose clock is called what a length may be called as well.

    Raises
    ------
    LogError
        If the values under such a name are instants.
    """
    for head in parts:
        why = disordered(numbers(dialect, head.index)) if head.word in CLOCKS_OR_LENGTHS else ""
        if why:
            raise LogError(f"as instants the times under {head.text!r} {why}", "")


def _could_be(head: Head, role: Role) -> bool:
    """Whether a column may be a part where the caller says that the log has some."""
    if role.unit_from == "project":
        return False
    return role.taken_as in ("signal", "beside") and meaning(head.text) in ("bare", "duration")


#: A part that fewer rows than this share lack was left out of them; so many are told.
_FEW, _MOST_TOLD = 0.2, 5


def rows(content: Content) -> Found:
    """Loops with their parts, laid one after another."""
    given, units = content.log.given, content.units
    parts = given.groups["part"]
    ns = [units[Member("part", place)].ns for place in range(len(parts))]
    values, known = _durations(content.table, ns)
    _begin_at_laps(given, values, known)
    parent = _around(given, values)
    work = values[:, parent < 0].sum(axis=1)
    grain = grain_of_ends(content)
    others = _between_loops(content, known)
    found = loop_rows(content, work, np.asarray((values < 0).any(axis=1)), others)
    laps = {head for head, role in given.roles if role.lap_of > -2}
    names = [marked(head).stem or shown(head) if head in laps else shown(head) for head in parts]
    short = [called(name) for name in names]
    names = _told_apart(names if len(set(short)) < len(set(names)) else short, parts)
    finest = min(unit.ns for unit in units.values())
    laid, given_in, order, beside = _by_loop(found, values, known, parent, finest)
    names = [names[at] for at in order]
    found = replace(found, parts=lay_out(laid, given_in, parent[order], names))
    ticks = np.unique(values[:_LOOKED_AT].ravel())
    if len(ticks) < _FEWEST_TICKS and "time" in content.table.columns:  # one length tells no tick
        ticks = content.table.columns["time"][:_LOOKED_AT]
    log = content.log
    notes = row_notes(found, log) + _left_out(
        known[found.row][:, order], names, content.table.line_of(found.row)
    )
    if beside is not None:
        notes += (_BESIDE.format(names[beside], "after" if found.ended else "before"),)
    return Found(found, ticks, finest, notes, limits=row_limits(found, log),
                 supposed=row_supposed(found, log), grain_ns=grain)  # fmt: skip


#: Rows whose lengths tell the tick, and of how many lengths they must be.
_LOOKED_AT, _FEWEST_TICKS = 100_000, 3
_BESIDE = (
    "{} of each row lies {} its stamp: it is counted in the loop there, for in its own row the "
    "parts are longer than the loop"
)


def _by_loop(
    found: LoopRows, values: Int, known: Bool, parent: Int, finest: int
) -> tuple[Int, Bool, list[int], int | None]:
    """Lengths by loop, which were logged, the order of the columns, and the one of another row."""
    laid, given = values[found.row], known[found.row]
    order = list(range(values.shape[1]))
    # parts in parts go with what is around them: none of them is asked
    at = beside_stamp(found, laid, finest) if (parent < 0).all() else None
    if at is None:
        return laid, given, order, None
    laid[:, at] = taken_over(laid[:, at], found.ended)
    given[:, at] = taken_over(given[:, at].astype(np.int64), found.ended) > 0
    order.remove(at)
    order.insert(0 if found.ended else len(order), at)
    return laid[:, order], given[:, order], order, order.index(at)


def _told_apart(names: list[str], parts: Sequence[Head]) -> list[str]:
    """Names of columns, of which those of one name are told by their places as well."""
    count = Counter(names)
    return [
        f"{name} (column {head.index + 1})" if count[name] > 1 else name
        for name, head in zip(names, parts, strict=True)
    ]


def _between_loops(content: Content, known: Bool) -> Bool:
    """Rows without any length in a log whose loops have some: slower signals, logged in between.

    Where nothing else says how long a loop was, they are no loops.
    """
    at = content.table.columns
    empty: Bool = ~np.asarray(known.any(axis=1))
    wholes = [at[part] for part in ("period", "total") if part in at]
    for lengths in wholes:
        empty &= lengths == 0
    if "time" not in at and not wholes:
        content.outcast.add(np.flatnonzero(empty), "missing value")
        return empty
    told = "time" in at and known.shape[1] + len(wholes) > 1
    if not told or not in_between(~empty):
        return np.zeros(len(known), bool)
    content.outcast.add(np.flatnonzero(empty), "other thread")
    return empty


def _left_out(known: Bool, names: list[str], line: Int) -> tuple[str, ...]:
    """Cautions about parts of which some rows hold no value; of a part that is rare most do not."""
    count = (~known).sum(axis=0)
    few = np.flatnonzero((count > 0) & (count < _FEW * len(known)))
    told = [
        f"{count[at]:,} rows hold no value of {names[at]}: it counts as 0 there"
        for at in few.tolist()
    ]
    begins = np.concatenate([known[:1], known[1:] & ~known[:-1]])
    half = np.flatnonzero((begins.sum(axis=0) == 1) & (count >= _FEW * len(known)))
    edge = max(2, len(known) // 20)
    ends = [at for at in half.tolist() if known[:, at].sum() >= edge and
            (known[0, at] or known[-1, at])]  # fmt: skip
    for at in ends:
        there = np.flatnonzero(known[:, at])
        when = f"after line {line[there[-1]]}" if known[0, at] else f"before line {line[there[0]]}"
        told.append(f"no row holds a value of {names[at]} {when}: two programs in one log?")
    return tuple(told[:_MOST_TOLD])


def _begin_at_laps(given: Given, values: Int, known: Bool) -> None:
    """Let each lap last since the one before, in place; of instants since the loop's start."""
    place = {head.index: at for at, head in enumerate(given.groups["part"])}
    began = {head.index: role.lap_of for head, role in given.roles if role.lap_of >= 0}
    later = sorted((at for at in began if at in place), key=lambda at: -place[at])
    instants = values.copy()
    for at in later:
        if began[at] in place:
            both = known[:, place[at]] & known[:, place[began[at]]]
            values[both, place[at]] -= instants[both, place[began[at]]]


def _around(given: Given, values: Int) -> Int:
    """The part around each part, -1 for none."""
    judged = [head for head, _ in given.roles]
    place = {head: at for at, head in enumerate(given.groups["part"])}
    parent = np.full(len(place), -1, np.int64)
    for head, role in given.roles:
        if role.inside >= 0 and head in place:
            parent[place[head]] = place.get(judged[role.inside], -1)
    return parent if (parent >= 0).any() else enclosing(values)


def _durations(table: Table, unit_ns: list[int]) -> tuple[Int, Bool]:
    """Durations of the parts [ns], one row a loop, and which of them were logged."""
    columns = table.group("part").values()
    with np.errstate(over="ignore"):  # what is too large for a number is not known
        raw = np.stack([column * ns for column, ns in zip(columns, unit_ns, strict=True)], axis=1)
    known = np.isfinite(raw) & (np.abs(raw) < 9e18)
    return np.rint(np.where(known, raw, 0)).astype(np.int64), known


LAYOUT = Layout(
    "costs", "each row a loop with durations", {**COLUMNS, "part": Column((), "number")}, fit,
    unit, rows, clock="time", own=own, needed=needed, signals=True, starts_from="column order",
    beats=("stamps",),
)  # fmt: skip
