"""One value a line brought to one loop a row: the lines between two anchors share a row."""

import re
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np

from looptime.parsers.layouts.merged import out_of_turn
from looptime.parsers.lines.carried import carry
from looptime.parsers.lines.grid import Entry, Grid, counts
from looptime.parsers.text.dialect import is_number
from looptime.records import dataclass
from looptime.units import UNITS, split_unit
from looptime.words import count

__all__ = ["entries_of", "fold", "repeats", "stands_for_loop"]

#: Names of a value that stands for the whole loop; with a time unit it is known when it is over.
_WHOLE = re.compile(
    r"^(main|control|robot)?[ _./-]*(loop|cycle|iteration|frame|tick|total|period|dt|sum|all|whole)"
    r"([ _./-]*(time|duration|period|total|dt|length|took|start|begin|end|number|no|count|id|n))?$"
)
_BEGINS = re.compile(r"(start|begin|number|no|count|id|n)$")
_LOOP = ("loop", "cycle", "iteration", "iter", "frame", "loop number", "loop_number", "tick")
_FIRST_ROWS = 2000
#: Share of the loops from which on a value is one of each.
_EVERY = 0.9
#: Share of the loops from which the keys of some are usual, as of another program's half-way.
_OFTEN = 0.1
#: Share of the loops up to which a length that comes twice in one is seldom.
_SELDOM = 0.02
#: Share of loops whose stamps are lost up to which that is damage, and no way of writing.
_DAMAGED = 0.2
#: Lines, and the correlation of their lengths with the steps of the clock, that tell where lines
#: are stamped.
_ENOUGH, _AS_LONG = 20, 0.9
_LONGEST = 1e100  # a garbled number beyond it has no square
#: What spellings of a name differ by, and how often one is met that is none by mistake.
_SPELLING, _SPELLED = re.compile(r"[\s._/-]+"), 3


@dataclass(frozen=True)
class _Anchor:
    """The column whose value begins (or ends) each loop's row."""

    at: int
    leads: bool
    counts: bool = False


def stands_for_loop(name: str) -> bool:
    """Whether a value's name is that of the loop itself.

    Examples
    --------
    >>> stands_for_loop("Loop time"), stands_for_loop("imu")
    (True, False)
    """
    return _WHOLE.match(_stem(name)) is not None


def entries_of(grid: Grid, most: int | None = None) -> list[Entry]:
    """Lines with their values, without empty cells; of the first `most` lines only."""
    return [
        (line, {at: cell for at, cell in enumerate(row) if cell})
        for line, row in enumerate(grid.rows[:most])
        if row is not None
    ]


def repeats(entries: list[Entry], common: set[int]) -> bool:
    """Whether each line holds what the one before held, so that each is a row by itself.

    Examples
    --------
    >>> repeats([(0, {0: "1", 1: "9"}), (1, {0: "2", 1: "8"})], {0})
    True
    >>> repeats([(0, {0: "1", 1: "9"}), (1, {0: "2", 2: "8"})], {0})
    False
    """
    keys = [set(values) - common for _, values in entries[:_FIRST_ROWS]]
    if len(keys) < 2:
        return True
    alike = sum(bool(a & b) or not (a or b) for a, b in pairwise(keys))
    return alike >= 0.5 * (len(keys) - 1)


def fold(grid: Grid, entries: list[Entry], stamp: int | None) -> Grid | None:
    """One row a loop from one value (or a few) a line; None where no loop comes back.

    Parameters
    ----------
    grid : Grid
        Names and units of the columns; its rows are not used.
    entries : list of Entry
        In the order of the log.
    stamp : int or None
        Column of the lines' stamps.

    Examples
    --------
    >>> grid = Grid(["0 imu 2", "2 loop 5", "5 imu 3", "8 loop 5"], names=["t", "imu", "loop"],
    ...             units=[None, None, None])
    >>> made = fold(grid, [(0, {0: "0", 1: "2"}), (1, {0: "2", 2: "5"}),
    ...                    (2, {0: "5", 1: "3"}), (3, {0: "8", 2: "5"})], 0)
    >>> made.rows, made.aside
    ([None, ['2', '3', '5'], None, ['8', '', '5']], [(0, 'before first loop')])
    """
    timed = [unit is not None or split_unit(name)[1] is not None
             for name, unit in zip(grid.names, grid.units, strict=True)]  # fmt: skip
    entries, again = _once(_one_spelling(grid, entries), stamp)
    groups = _numbered(grid, entries, timed) or _stamped(entries, stamp)
    aside: list[tuple[int, str]] = []
    if groups is None:
        anchor = _anchor(grid, entries, timed, stamp)
        if anchor is None:
            return None
        groups, aside = _between(entries, anchor)
        named = anchor.counts or _WHOLE.match(_stem(grid.names[anchor.at]))
        if not named and not _regular(groups, stamp):
            return None
        ends = not anchor.leads or timed[anchor.at]
    else:
        # a length is known, and written, when it is over
        ends = sum(any(timed[at] for at in group[0][1]) for group in groups) > 0.5 * len(groups)
    ends = ends and not _stamped_at_begin(grid, entries, timed, stamp)
    heads = [group[-1 if ends else 0][0] for group in groups]
    if len(groups) < 2:
        return None
    made = replace(grid, rows=[None] * len(grid.lines), aside=grid.aside + aside + again)
    for head, group in zip(heads, groups, strict=True):
        made.rows[head] = _merged(group, head, timed, stamp)
        made.folded += [(line, head) for line, _ in group if line != head]
    carry(made, [[line for line, _ in group] for group in groups], entries, stamp)
    odd = [group[0][0] for group in groups if _repeats(group, timed, stamp)]
    if 0 < len(odd) <= _SELDOM * len(groups):
        made.notes.append(out_of_turn(len(odd), odd[0] + 1))
    lost = [] if stamp is None else _unstamped(heads, entries, stamp)
    if 0 < len(lost) <= _DAMAGED * len(groups):
        made.notes.append(
            f"{count(len(lost), 'loop')}, the first at line {lost[0] + 1}: the "
            f"{'last' if ends else 'first'} line lacks its instant, so that of the line before "
            "counts, and the periods beside are off"
        )
    if stamp is None:
        _name_total(made, timed)
    return made


def _stamped_at_begin(
    grid: Grid, entries: list[Entry], timed: list[bool], stamp: int | None
) -> bool:
    """Whether the stamp of a line is when its length began: the next comes so much later.

    A line is written when its length is over, but some programs stamp it with the begin.
    """
    ns = [UNITS[unit or split_unit(name)[1] or "ns"]
          for name, unit in zip(grid.names, grid.units, strict=True)]  # fmt: skip
    found = []
    for _, values in entries[:_FIRST_ROWS]:
        lengths = [at for at in values if timed[at] and at != stamp and is_number(values[at])]
        if stamp is None or len(lengths) != 1 or not is_number(values.get(stamp, "")):
            return False
        found.append((float(values[stamp]), float(values[lengths[0]]) * ns[lengths[0]]))
    at, took = np.array(found).T if found else (np.zeros(0), np.zeros(0))
    step = np.diff(at)
    if len(step) < _ENOUGH or max(np.abs(at).max(), np.abs(took).max()) > _LONGEST:
        return False
    if not all(v.std() > 0 for v in (step, took[1:], took[:-1])):
        return False
    own, following = (float(np.corrcoef(step, v)[0, 1]) for v in (took[:-1], took[1:]))
    return own > _AS_LONG > following


def _unstamped(heads: list[int], entries: list[Entry], stamp: int) -> list[int]:
    """The lines at the ends of loops that lack the stamp of the lines."""
    without = {line for line, values in entries if not is_number(values.get(stamp, ""))}
    return [line for line in heads if line in without]


def _repeats(group: list[Entry], timed: list[bool], stamp: int | None) -> bool:
    """Whether a length comes twice in a loop."""
    met = [at for at in _kind(group, stamp) if timed[at]]
    return len(set(met)) < len(met)


def _name_total(grid: Grid, timed: list[bool]) -> None:
    """Call the lengths that the others add up to the total, where no name says which do.

    Columns that hold nearly the same are one sum by two names: the others of them are left out.
    """
    if any(_WHOLE.match(_stem(name)) for name, ok in zip(grid.names, timed, strict=True) if ok):
        return
    places = [at for at, ok in enumerate(timed) if ok]
    rows = [row for row in grid.rows if row is not None][:_FIRST_ROWS]
    table = np.array([[_value(row[at]) for at in places] for row in rows])
    if len(places) < 3:
        return
    most = int(np.argmax(table.mean(axis=0)))
    whole = table[:, most]
    alike = (np.abs(table - whole[:, None]) <= 0.02 * whole[:, None]).mean(axis=0) > 0.9
    rest = table[:, ~alike].sum(axis=1)
    if (np.abs(rest - whole) <= 0.02 * whole).mean() > 0.9:
        grid.names[places[most]] = "total"
        for k, at in enumerate(places):
            if alike[k] and k != most:
                grid.names[at], grid.units[at] = f"{grid.names[at]} (as the total)", None


def _value(cell: str) -> float:
    return float(cell) if is_number(cell) else 0.0


def _stem(name: str) -> str:
    return split_unit(name)[0].strip().lower()


def _one_spelling(grid: Grid, entries: list[Entry]) -> list[Entry]:
    """Entries whose values have one column where a name is spelled otherwise from one line on."""
    uses: dict[int, list[int]] = {}
    for line, values in entries:
        for at in values:
            uses.setdefault(at, []).append(line)
    alike: dict[tuple[str, str | None], list[int]] = {}
    for at in uses:
        alike.setdefault((_SPELLING.sub("", grid.names[at].lower()), grid.units[at]), []).append(at)
    same: dict[int, int] = {}
    for first, *others in alike.values():
        for at in others:
            if len(uses[at]) >= _SPELLED and uses[first][-1] < uses[at][0]:
                same[at] = first
                uses[first] += uses[at]
                grid.notes.append(
                    f"line {uses[at][0] + 1}: {grid.names[first]!r} is written {grid.names[at]!r} "
                    "from here on: taken for the same"
                )
    if not same:
        return entries
    for at in same:
        grid.names[at], grid.units[at] = "", None
    return [(line, {same.get(at, at): cell for at, cell in values.items()})
            for line, values in entries]  # fmt: skip


def _once(entries: list[Entry], stamp: int | None) -> tuple[list[Entry], list[tuple[int, str]]]:
    """Entries without those written twice: the same values by the same stamp, of any key.

    A key that comes more than once in a loop comes with other values, too, and others do not.
    """
    if stamp is None:
        return entries, []
    again: list[int] = []
    others = 0
    seen: dict[tuple[int, ...], dict[int, str]] = {}
    last: str | None = None
    for line, values in entries:
        if values.get(stamp) != last:
            seen, last = {}, values.get(stamp)
        before = seen.setdefault(tuple(values), values)
        if before is not values:
            same = before == values
            others += not same
            again += [line] if same else []
    gone = set(again)
    kept = [entry for entry in entries if entry[0] not in gone]
    left = Counter(at for _, values in kept for at in values)
    were = Counter(at for _, values in entries for at in values)
    doubled = sum(were[at] > left[at] for at in left if left[at] > 0.1 * max(left.values()))
    if not again or others > 0.1 * len(again) or doubled < 0.5 * len(left):
        return entries, []
    return kept, [(line, "duplicate row") for line in again]


def _numbered(grid: Grid, entries: list[Entry], timed: list[bool]) -> list[list[Entry]] | None:
    """Lines of one loop number after another, where most lines have one."""
    at = next((k for k, name in enumerate(grid.names) if _stem(name) in _LOOP and not timed[k]), -1)
    if at < 0 or sum(at in values for _, values in entries) < 0.9 * len(entries):
        return None
    return _runs(entries, at)


def _runs(entries: list[Entry], at: int) -> list[list[Entry]]:
    """Lines that follow one another with the same value in a column."""
    groups: list[list[Entry]] = []
    last = None
    for entry in entries:
        own = entry[1].get(at, last)
        if not groups or own != last:
            groups.append([])
        groups[-1].append(entry)
        last = own
    return groups


def _stamped(entries: list[Entry], stamp: int | None) -> list[list[Entry]] | None:
    """Lines of one stamp, where most stamps have the same few keys once each."""
    if stamp is None:
        return None
    groups = _runs(entries, stamp)
    if len(groups) > 0.75 * len(entries):
        return None
    kinds = Counter(_kind(group, stamp) for group in groups)
    often = sum(
        count
        for kind, count in kinds.items()
        if len(kind) == len(set(kind)) > 1 and count >= _OFTEN * len(groups)
    )
    if often < 0.6 * len(groups):
        return None
    return [part for group in groups for part in _apart(group, stamp)]


def _apart(group: list[Entry], stamp: int) -> list[list[Entry]]:
    """Loops that have one stamp, as where the clock stood still: no key comes twice in a loop."""
    parts: list[list[Entry]] = [[]]
    met: set[int] = set()
    for entry in group:
        own = set(entry[1]) - {stamp}
        if met & own:
            parts.append([])
            met = set()
        parts[-1].append(entry)
        met |= own
    return parts


def _kind(group: list[Entry], stamp: int | None) -> tuple[int, ...]:
    return tuple(at for _, values in group for at in values if at != stamp)


def _regular(groups: list[list[Entry]], stamp: int | None) -> bool:
    """Whether most loops hold the same keys in the same order."""
    kinds = Counter(_kind(group, stamp) for group in groups[:_FIRST_ROWS])
    (kind, often), *_ = kinds.most_common(1) or [((), 0)]
    return often >= 0.5 * min(len(groups), _FIRST_ROWS) and len(kind) > 0


def _anchor(
    grid: Grid, entries: list[Entry], timed: list[bool], stamp: int | None
) -> _Anchor | None:
    """The value that stands for the loop, else the part that is met most often."""
    uses = Counter(at for _, values in entries for at in values if at != stamp)
    order = list(uses)  # as first met
    if not order:
        return None
    whole = [at for at in order if _WHOLE.match(_stem(grid.names[at])) and uses[at] >= 2]
    most = max((uses[at] for at in whole), default=0)
    parts = [at for at in order if timed[at]] or order
    for at in order:  # what counts the loops is of more of them than a length of some
        fewest = most / _EVERY if whole else max(uses[k] for k in parts)
        if timed[at] or uses[at] < fewest:
            continue
        if counts([values[at] for _, values in entries if at in values]):
            return _Anchor(at, True, True)
    if whole:
        at = max(whole, key=lambda k: (uses[k], -order.index(k)))
        leads = at == order[0] or bool(_BEGINS.search(_stem(grid.names[at]))) or not timed[at]
        return _Anchor(at, leads if at == order[0] or not timed[at] else False)
    most = max(uses[at] for at in parts)
    at = next(k for k in parts if uses[k] >= 0.98 * most - 1)
    return _Anchor(at, True)


def _between(
    entries: list[Entry], anchor: _Anchor
) -> tuple[list[list[Entry]], list[tuple[int, str]]]:
    """Lines from one anchor to the next, and those that belong to no whole loop."""
    groups: list[list[Entry]] = [[]]
    for entry in entries:
        if anchor.leads and anchor.at in entry[1]:
            groups.append([])
        groups[-1].append(entry)
        if not anchor.leads and anchor.at in entry[1]:
            groups.append([])
    if anchor.leads:
        loose, groups, why = groups[0], groups[1:], "before first loop"
    else:
        loose, groups, why = groups[-1], groups[:-1], "unfinished last loop"
    return groups, [(line, why) for line, _ in loose]


def _merged(group: list[Entry], head: int, timed: list[bool], stamp: int | None) -> list[str]:
    """The row of one loop: lengths of one name add up, of other values the last one counts."""
    row = [""] * len(timed)
    for line, values in group:
        for at, cell in values.items():
            if at == stamp:
                if line <= head:  # a line without a stamp has that of the one before
                    row[at] = cell
            elif row[at] and timed[at] and is_number(cell) and is_number(row[at]):
                row[at] = repr(float(row[at]) + float(cell))
            else:
                row[at] = cell
    return row
