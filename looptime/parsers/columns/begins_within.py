"""Columns that say when in the loop a part began, beside those that say how long it took."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from looptime.array_types import Float
from looptime.length_groups import LENGTHS
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import tokens
from looptime.parsers.columns.role import Role
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.records import dataclass
from looptime.units import UNITS

__all__ = ["begins_within"]

#: Words of where a part begins, and of where it ends.
_BEGINS = frozenset((
    "at", "start", "started", "starts", "begin", "began", "begins", "begun", "off", "offset", "ofs",
    "from", "since", "ab", "um", "beginn", "anfang", "inicio", "debut", "inizio", "aanvang",
))  # fmt: skip
_ENDS = frozenset(("end", "ended", "ends", "stop", "stopped", "to", "until", "done", "finish"))
#: Words that a length may have beside its stem.
_OF_LENGTHS = LENGTHS | {"length", "len", "cost", "dt", "delta", "dur", "took"}
#: Fewest parts and rows that tell, and the share of the rows in which each begins after the last.
_FEWEST, _ROWS, _HOLDS = 2, 10, 0.98
#: By how much of a part the next may seem to begin before it is over.
_NEAR = 0.02
#: The share of the loop that lengths whose unit nobody states take up at least.
_FILLS = 0.2
_WHY = "in each row it comes after the part before it is over: when in the loop its part begins"


@dataclass(frozen=True)
class _Pair:
    """Where a part begins, and how long it took or where it ended."""

    begin: Head
    other: Head
    ends: bool


def begins_within(
    found: Sequence[Head], dialect: Dialect, times: Float | None, clock_ns: int | None
) -> tuple[dict[int, Role], dict[int, str]]:
    r"""Roles of the columns that say when in the loop a part begins, and units of its lengths.

    Each stands beside a length whose name has the same words. Put in order, each begins when the
    last is over, the first not before the loop and the last not beyond it.

    Parameters
    ----------
    found : sequence of Head
        Columns but for the clock.
    dialect : Dialect
        How the log is written, with its first rows.
    times : float64 array, shape (n,) [ns], or None
        The clock.
    clock_ns : int or None
        Nanoseconds in its unit, None where it has none.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{3 + k % 2},{90 + k % 3},{97 + k % 2 + k % 3},{40}\n" for k in range(30))
    >>> like = sniff("gyro_at,gyro_us,drive_at,drive_us\n" + rows, "a.csv")
    >>> sorted(begins_within(heads(like.header), like, None, None)[0])
    [0, 2]
    """
    pairs = _pairs(found)
    if len(pairs) < _FEWEST or len(dialect.sample) < _ROWS:
        return {}, {}
    own = [numbers(dialect, pair.begin.index) for pair in pairs]
    if not all(len(one) and np.isfinite(one).mean() >= _HOLDS for one in own):
        return {}, {}
    own_unit = next((p.begin.unit for p in pairs if p.begin.unit), None)
    length_unit = next((p.other.unit for p in pairs if p.other.unit), None)
    stated = own_unit or length_unit
    for begins in [own_unit] if own_unit else dict.fromkeys([stated, *UNITS] if stated else UNITS):
        in_ns = UNITS[begins], UNITS[length_unit or begins]
        if stated is None and not _fills(pairs, dialect, in_ns, times):
            continue  # in a unit that is too small anything fits into the loop
        if _in_turn(pairs, dialect, in_ns, times):
            role = Role("deviation", None, "", _WHY)
            unit = length_unit or begins if stated or clock_ns else None
            lengths = {p.other.index: unit for p in pairs if not p.ends and not p.other.unit}
            return ({pair.begin.index: role for pair in pairs},
                    {at: unit for at, unit in lengths.items() if unit})  # fmt: skip
    return {}, {}


def _fills(
    pairs: list[_Pair], dialect: Dialect, in_ns: tuple[int, int], times: Float | None
) -> bool:
    """Whether lengths take up much of the loop, as in one unit at most; true without a clock."""
    if times is None:
        return True
    begin_ns, length_ns = in_ns
    took = 0.0
    for pair in pairs:
        other = numbers(dialect, pair.other.index) * length_ns
        begin = numbers(dialect, pair.begin.index) * begin_ns if pair.ends else 0.0
        took += float(np.nanmedian(other - begin))
    return took >= _FILLS * float(np.nanmedian(np.abs(np.diff(times))))


def _pairs(found: Sequence[Head]) -> list[_Pair]:
    """Begins with the one length, or end, whose name has the same words but for those."""
    begins: dict[tuple[str, ...], list[Head]] = {}
    others: dict[tuple[str, ...], list[tuple[Head, bool]]] = {}
    for head in found:
        words = tokens(head.text)
        stem = tuple(word for word in words if word not in _BEGINS)
        if len(stem) < len(words):
            begins.setdefault(stem, []).append(head)
            continue
        ends = not _ENDS.isdisjoint(words)
        stem = tuple(word for word in words if word not in _OF_LENGTHS | _ENDS)
        others.setdefault(stem, []).append((head, ends))
    made = []
    for stem, mine in begins.items():
        beside = others.get(stem, [])
        beside = [one for one in beside if not one[1]] or beside
        if stem and len(mine) == len(beside) == 1:
            made.append(_Pair(mine[0], *beside[0]))
    return made


def _in_turn(
    pairs: list[_Pair], dialect: Dialect, in_ns: tuple[int, int], times: Float | None
) -> bool:
    """Whether parts lie one after another within their loop."""
    begin_ns, length_ns = in_ns
    parts = []
    for pair in pairs:
        begin = numbers(dialect, pair.begin.index) * begin_ns
        other = numbers(dialect, pair.other.index) * length_ns
        parts.append((begin, other if pair.ends else begin + other))
    parts.sort(key=lambda one: float(np.nanmedian(one[0])))
    tick = 1.01 * max(in_ns)
    holds = parts[0][0] >= 0
    for (begin, end), (after, _) in pairwise(parts):
        near = tick + _NEAR * float(np.nanmedian(np.abs(end - begin)))  # stamped by themselves
        holds &= (after > begin) & (after >= end - near)
    if float(holds.mean()) < _HOLDS or (parts[-1][1] < parts[-1][0]).mean() > 1 - _HOLDS:
        return False
    last = parts[-1][1]
    if times is None:  # of the run they would go on from row to row
        return float((np.diff(parts[0][0]) > 0).mean()) < _HOLDS
    return any(
        float((last[rows] <= np.abs(np.diff(times)) + tick).mean()) >= _HOLDS
        for rows in (slice(None, -1), slice(1, None))
    )
