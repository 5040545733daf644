"""Times beside a clock that counts: without a unit of their own they are in its counts."""

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import counts_rows
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.layouts import calls
from looptime.parsers.lines.counted import COUNT, count_ns, to_ns
from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.rated import climbs, rated
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.signal_names import of_another_unit
from looptime.units import split_unit

__all__ = ["count_of", "of_an_edge", "times_beside"]

#: What a header says of a length of time.
_LENGTHS = ("duration", "busy", "whole", "period", "latency", "deviation")
#: Headers of the ends and lengths of calls, and the words among them that name an edge or a length.
_CALLS = {
    word for part in ("start", "end", "duration", "waited", "cpu")
    for word in calls.COLUMNS[part].spellings
}  # fmt: skip
#: How far from the clock another instant of its row may be, in steps of the clock as they are.
_NEAR = 1000.0
#: Up to how many steps of the clock lengths may take together: they are of the loop beside it.
_FULL = 1.05


def of_an_edge(header: str) -> bool:
    """Whether a header names a start, an end or a length, and that it counts.

    Examples
    --------
    >>> [of_an_edge(one) for one in ("start_tick", "end_count", "dur_cycle", "tick", "gyro_tick")]
    [True, True, True, False, False]
    """
    if COUNT.search(header) is None:
        return False
    rest = heads((COUNT.sub("", header).strip(" _.") or " ",))
    return bool(rest) and rest[0].word in _CALLS


def count_of(header: str, remarks: list[str]) -> float | None:
    """Nanoseconds in a count of a column, by its header or else by a line of the log."""
    found = rated(header)
    return 1e9 / found.hz if found is not None else count_ns(remarks, [])[0]


def times_beside(grid: Grid, like: Dialect, before: list[str], remarks: list[str]) -> str:
    """Bring what are times by their names to ns, in place, beside a clock that was; what was done.

    Parameters
    ----------
    grid, like : Grid, Dialect
        The table with its clock in ns, and its first rows as they stand in the log.
    before : list of str
        Names of the columns as they stand in the log, where a multiple of a unit is.
    remarks : list of str
        Lines that may say how long a count is.
    """
    if len(before) != len(grid.names):
        return ""
    clocks = [at for at, name in enumerate(grid.names)
              if name.endswith("[ns]") and name != before[at] and split_unit(before[at])[1] is None
              and climbs(numbers(like, at))]  # fmt: skip
    each = {count_of(before[at], remarks) for at in clocks}
    ns = each.pop() if len(each) == 1 else None
    if ns is None or ns == 1:
        return ""
    clock = numbers(like, clocks[0])
    said = [at for at in range(len(before)) if _is_time(grid, like, at, clock)]
    lengths = [at for at in said if not climbs(numbers(like, at))]
    if _exceed(grid, like, lengths, clock):  # they have a unit of their own
        said = [at for at in said if at not in lengths]
    for at in said:
        grid.put(at, to_ns(grid.cells(at), ns, "", climbs(numbers(like, at))))
        grid.names[at] = f"{grid.names[at]} [ns]"
    named = ", ".join(repr(before[at]) for at in said)
    return f"{named} without a unit counts as the clock does" if said else ""


def _exceed(grid: Grid, like: Dialect, lengths: list[int], clock: Float) -> bool:
    """Whether parts of a loop, or one that is its whole, would take longer than the clock steps."""
    parts, longest = np.zeros(len(clock)), 0.0
    for at in lengths:
        means, values = meaning(grid.names[at]), numbers(like, at)
        if heads((grid.names[at],))[0].word in _CALLS:
            continue  # of a call, which may hold others
        if means in ("whole", "period"):
            longest = max(longest, float(np.nanmedian(values)))
        elif means in ("duration", "busy"):
            parts += np.nan_to_num(values)
    steps = np.diff(clock)
    steps = steps[steps > 0]
    most = max(longest, float(np.median(parts)))
    return len(steps) > 0 and most > _FULL * float(np.median(steps))


def _is_time(grid: Grid, like: Dialect, at: int, clock: Float) -> bool:
    """Whether a column without a unit holds whole counts that are lengths, or instants nearby."""
    name, values = grid.names[at], numbers(like, at)
    known = np.isfinite(values) & np.isfinite(clock)
    if split_unit(name)[1] is not None or of_another_unit(name) or not known.any():
        return False
    if (values[known] % 1 > 0).any() or counts_rows(values):
        return False
    word = heads((name,))[0].word if name.strip() else ""
    if climbs(values):
        step = np.abs(np.diff(clock[known]))
        far = np.abs(values - clock)[known]
        return word in _CALLS and float(np.median(far)) <= _NEAR * float(np.median(step) + 1)
    return word in _CALLS or meaning(name) in _LENGTHS
