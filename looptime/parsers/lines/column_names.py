"""Names for columns of a grid that no word names: the clock, the loop's number, a host's stamps."""

import re
from collections import Counter
from itertools import groupby, pairwise

import numpy as np

from looptime.array_types import Float
from looptime.errors import LogError, UsageError
from looptime.parsers.columns.disorder import disordered
from looptime.parsers.columns.evidence import rises
from looptime.parsers.lines.grid import Grid, counts, is_stamp
from looptime.parsers.lines.keyed import STAMP, UNNAMED
from looptime.parsers.lines.monitor import HOST
from looptime.parsers.text.dialect import is_number
from looptime.parsers.text.sniff import sniff
from looptime.units import UNITS, split_unit, word_unit

__all__ = ["LOOP_NUMBER", "in_own_units", "is_table", "name_clock", "name_loops", "name_stamps"]

#: Rows by which it is told how they hang together.
_LOOKED_AT = 4000
#: A second stamp that so few lines have is none.
_STRAY = 0.05
#: Fewer values than this are no evidence of a clock.
_FEWEST = 10
#: Digits of a number that is too long to count loops, rows that tell, and steps that are to rise.
_DIGITS, _ROWS, _RISES = 19, 4, 0.95
#: Words for the number of a loop.
LOOP_NUMBER = ("loop", "cycle", "iteration", "iter", "frame")
#: Words before a loop that is logged for its length; how alike its numbers and a clock step then.
_LATE = frozenset(("slow", "late", "long", "overlong", "overrun", "overran", "overrunning"))
_WITH = 0.5


def name_clock(grid: Grid) -> None:
    """Call a column the time that climbs, and has but a unit for its name or comes first."""
    if any(is_stamp(name) for name in grid.names):
        return
    for at, name in enumerate(grid.names):
        bare = word_unit(name) if name.isalpha() else None
        cells = grid.cells(at)[:400]
        values = np.array([float(c) for c in cells if is_number(c)])
        first = at == 0 and grid.units[0] is not None and not counts(cells)
        if (bare or first) and rises(values) and (np.diff(values) >= 0).mean() > 0.9:
            grid.names[at], grid.units[at] = STAMP, bare or grid.units[at]
            return


def name_loops(grid: Grid) -> None:
    """Call a column the loop's number if none is: by the end of its name, or as it goes on."""
    if any(split_unit(name)[0].lower() in LOOP_NUMBER for name in grid.names):
        return
    called = [at for at, name in enumerate(grid.names) if _says_which(name, grid.units[at])
              and _rises_whole(grid.cells(at)[:_LOOKED_AT]) and _goes_on(grid, at)]  # fmt: skip
    if len(called) == 1:
        grid.names[called[0]] = "loop"
        return
    for at, name in enumerate(grid.names):
        cells = [c for c in grid.cells(at)[:_LOOKED_AT] if c]
        if (
            is_stamp(name)
            or grid.units[at]
            or not all(c.isdecimal() and len(c) < 19 for c in cells)
        ):
            continue
        runs = [len(list(run)) for _, run in groupby(cells)][1:-1]
        (most, often), *_ = Counter(runs).most_common(1) or [(0, 0)]
        steps = np.diff(np.array(cells, np.int64))
        if most > 1 and often >= 0.8 * len(runs) >= _FEWEST and set(steps.tolist()) == {0, 1}:
            grid.names[at] = "loop"
            return


def _says_which(name: str, unit: str | None) -> bool:
    """Whether a name ends in a word for a loop, whatever the loop is called: ``slow loop``.

    A frame may be a camera's, or one of a bus, where it is not a late one.
    """
    words = name.lower().split()
    if unit is not None or len(words) < 2 or words[-1] not in LOOP_NUMBER:
        return False
    return words[-1] != "frame" or not _LATE.isdisjoint(words)


def _goes_on(grid: Grid, at: int) -> bool:
    """Whether numbers go on by one as a rule, or leave out as many as a time beside them does.

    Any other count, as of what was lost, would show loops missing that are there.
    """
    cells = [grid.cells(k)[:_LOOKED_AT] for k in range(len(grid.names))]
    step = _steps(cells[at])
    if float((step != 1).mean()) <= _STRAY:
        return True
    for k, column in enumerate(cells):
        if k == at or not (is_stamp(grid.names[k]) or grid.units[k]):
            continue
        beside = _steps(column)
        if len(beside) == len(step) and (beside >= 0).mean() > _RISES:
            even = min(float(np.std(step)), float(np.std(beside))) == 0
            return float(np.std(step)) == 0 if even else _alike(step, beside)
    return True


def _steps(cells: list[str]) -> Float:
    """Steps from row to row; NaN beside what is no number."""
    return np.diff(np.array([float(c) if is_number(c) else np.nan for c in cells]))


def _alike(step: Float, beside: Float) -> bool:
    """Whether steps are the longer the more numbers they leave out."""
    both = np.isfinite(step) & np.isfinite(beside)
    return bool(both.any()) and float(np.corrcoef(step[both], beside[both])[0, 1]) > _WITH


def _rises_whole(cells: list[str]) -> bool:
    """Whether whole numbers go up from row to row."""
    values = [int(c) for c in cells if c.isdecimal() and len(c) < _DIGITS]
    return len(values) > _ROWS and len(values) == sum(map(bool, cells)) and (
        sum(a < b for a, b in pairwise(values)) > _RISES * (len(values) - 1))  # fmt: skip


def name_stamps(grid: Grid) -> None:
    """Give the numbers that no word names, at the start of each line and elsewhere, names."""
    uses = {at: sum(map(bool, grid.cells(at))) for at, n in enumerate(grid.names) if is_stamp(n)}
    for at, count in uses.items():
        if count < _STRAY * max(uses.values()):  # of lines that were garbled
            grid.names[at], grid.units[at] = "", None
    for at, name in enumerate(grid.names):
        if name in (STAMP, f"{STAMP} 2") and ":" not in "".join(grid.cells(at)[:1]):
            values = np.array([float(c) for c in grid.cells(at)[:400] if is_number(c)])
            # the number of a process, or of a thread
            if len(values) > 2 and (values == values[0]).all():
                grid.names[at], grid.units[at] = "", None
            elif grid.units[at] and not (
                rises(values) or disordered(values, grows=True) or _beyond_parts(grid, at, values)
            ):
                grid.names[at] = f"part {at + 1}"
    for at, name in enumerate(grid.names):
        if re.fullmatch(rf"{UNNAMED} \d+", name):
            values = np.array([float(c) for c in grid.cells(at)[:400] if is_number(c)])
            stamped = any(is_stamp(text) for text in grid.names)
            grid.names[at] = STAMP if rises(values) and not stamped else ""
    second = f"{STAMP} 2"
    if second in grid.names and STAMP not in grid.names:  # the first was none
        grid.names[grid.names.index(second)] = STAMP
    if second in grid.names:
        one, other = grid.names.index(STAMP), grid.names.index(second)
        if ":" in "".join(grid.cells(one)[:1]):
            grid.names[one], grid.names[other] = HOST, STAMP
        elif counts(grid.cells(one)[:400]):
            grid.names[one], grid.names[other] = "loop", STAMP
        else:
            grid.names[other] = "loop" if counts(grid.cells(other)[:400]) else second
    elif STAMP in grid.names and counts(grid.cells(grid.names.index(STAMP))[:400]):
        grid.names[grid.names.index(STAMP)] = "loop"


def _beyond_parts(grid: Grid, at: int, values: Float) -> bool:
    """Whether values lie further apart than all lengths beside them last: a clock out of order."""
    parts = [k for k, unit in enumerate(grid.units) if unit and k != at]
    if not parts or len(values) < _FEWEST:
        return False
    scale = UNITS[grid.units[at] or "ns"]
    lengths = [
        [float(c) * UNITS[grid.units[k] or "ns"] / scale if is_number(c) else 0.0
         for c in grid.cells(k)[:400]] for k in parts
    ]  # fmt: skip
    low, high = np.quantile(values, [0.1, 0.9])
    return bool(high - low > 3 * np.median(np.sum(lengths, axis=0)))


def is_table(text: str, path: str, names: str) -> bool:
    r"""Whether the rows are those of a table whose columns have these names.

    Examples
    --------
    >>> is_table("1,2\n3,4\n5,6\n", "a.csv", "t,imu"), is_table("t=1 imu=2\n" * 3, "a.txt", "t,imu")
    (True, False)
    """
    try:
        sniff(text, path, names)
    except LogError:
        return False
    except UsageError:  # another number of columns
        return True
    return True


def in_own_units(names: str, grid: Grid) -> str:
    """Names that a caller gives to columns, with the units that the lines themselves name.

    Examples
    --------
    >>> in_own_units("t,gyro,skip", Grid([], names=["t", "a", "b"], units=["us", None, "us"]))
    't [us],gyro,skip'
    """
    given = [name.strip() for name in names.split(",")]
    own = [*grid.units, *[None] * len(given)]
    return ",".join(
        f"{name} [{unit}]" if unit and name != "skip" and not split_unit(name)[1] else name
        for name, unit in zip(given, own, strict=False)
    )
