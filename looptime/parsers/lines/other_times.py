"""Tables whose times stand in another form: units in cells, counts, sums, shares, rates."""

import re
from itertools import pairwise

from looptime.errors import LogError, UsageError
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.lines.cell_rows import table_grid
from looptime.parsers.lines.counted import count_ns, of_a_counter
from looptime.parsers.lines.glued import glued
from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.legend import by_legend, may_name
from looptime.parsers.lines.rated import rated
from looptime.parsers.lines.recast import MULTIPLE, recast
from looptime.parsers.lines.serial_days import may_be_days
from looptime.parsers.lines.spelled import spelled
from looptime.parsers.text.dialect import LONGEST_REMARK, is_number, is_remark, split_line
from looptime.parsers.text.sniff import sniff
from looptime.records import dataclass
from looptime.stated_columns import StatedColumns

__all__ = ["OtherTimes", "in_counts", "other_times", "remarks_of"]

_FIRST = 250
_LOOKED_AT = 60
#: Words of headers that may name times in another form.
_WORDS = re.compile(r"%|pct|percent|fps|hz|freq|rate|cycles|cyc|ccount|ticks|counts|unit"
                    r"|uom|unidad|einheit|(?<![a-z])min|[\[(]\s*\d", re.IGNORECASE)  # fmt: skip
_LENGTH = re.compile(r"(?<![\w.])\d+(?:\.\d+)?\s*(?:ns|us|\N{MICRO SIGN}s|ms)\b", re.IGNORECASE)
_A_RATE = re.compile(r"[^,;|\t\d]*(?<![\w.])\d+(?:\.\d+)?\s*[GMk]?Hz\s*$", re.IGNORECASE)
#: What a line above the rows says of the rate of a processor or of what counts.
_OF_A_COUNTER = re.compile(r"^(?=.*(?:cpu|core|clk|clock|count|cyc|tick|timer)).*\d\s*[GMk]?Hz\b",
                           re.IGNORECASE)  # fmt: skip


@dataclass(frozen=True)
class OtherTimes:
    """A table brought to one of times."""

    grid: Grid
    said: tuple[str, ...]  #: What was done, in plain words
    stated: tuple[StatedColumns, ...]  #: What the columns are, where that is known


def other_times(
    lines: list[str], path: str, columns: str | None = None, unit: str | None = None
) -> OtherTimes | None:
    r"""A table brought to one of times; None where it is one as it stands, or no table.

    Where the caller names the columns, they matter only if one counts or holds multiples of a unit.

    Raises
    ------
    LogError
        If its clock counts and nobody says how fast.

    Examples
    --------
    >>> log = ["t_min,imu_ms", *(f"{0.001 * k:.3f},2" for k in range(9))]
    >>> other_times(log, "a.csv").grid.header()
    ['t [s]', 'imu_ms']
    """
    names = () if columns is None else columns.split(",")
    if columns is not None and not any(MULTIPLE.match(n.strip()) or rated(n) for n in names):
        return None
    grid = spelled(lines) or glued(lines) if columns is None else None
    like = None if grid is None else grid.rewritten()[1]
    units = grid is not None
    remarks = remarks_of(lines)
    if grid is None:
        if columns is None and not _told(remarks) and not _may_be(lines):
            return None
        try:
            like = sniff("\n".join(lines[:2000]), path, columns)
            alone = like.header is None and not any(wordy(like, k) for k in range(like.fields))
            if alone and of_a_counter(remarks):  # the clock is told by its values
                plain = ",".join(f"column_{index + 1}" for index in range(like.fields))
                like = sniff("\n".join(lines[:2000]), path, plain)
        except (LogError, UsageError):
            return None
        if like.header is None:
            return None
        grid = table_grid(lines, like)
    assert like is not None
    said, stated = recast(grid, like, remarks, path, unit)
    said += [named] if (named := by_legend(grid, remarks)) else []
    if not said and not units:
        return None
    return OtherTimes(grid, tuple(said), () if stated is None else (stated,))


def in_counts(grid: Grid, lines: list[str]) -> None:
    """Bring lines that name their values to times, in place, where a remark tells of counts."""
    remarks = remarks_of(lines)
    if _told(remarks):
        grid.notes += recast(grid, grid.rewritten()[1], remarks, "")[0]


def _told(remarks: list[str]) -> bool:
    """Whether remarks may say how fast a counter counts, or what codes stand for."""
    some = any("hz" in one.lower() or _LENGTH.search(one) for one in remarks)
    return some or may_name(remarks) or count_ns(remarks, [])[0] is not None


def remarks_of(lines: list[str]) -> list[str]:
    """Comments, lines that hold nothing but a rate and what it is the rate of, and words above.

    Examples
    --------
    >>> remarks_of(["boot: core clock 64 MHz, 16 bit timer", "n 0 cyc 7", "n 1 cyc 9"])
    ['boot: core clock 64 MHz, 16 bit timer']
    """
    first = lines[0][:LONGEST_REMARK] if lines else ""
    above = first if _OF_A_COUNTER.search(first) else None
    return [one for one in (line[:LONGEST_REMARK] for line in lines[:_FIRST])
            if one.lstrip().startswith(("#", "//")) or one == above
            or _A_RATE.match(one)]  # fmt: skip


def _may_be(lines: list[str]) -> bool:
    """Whether a look at a few lines leaves room for such a table, at little cost."""
    rows = [line for line in lines[: 2 * _LOOKED_AT] if not is_remark(line)][:_LOOKED_AT]
    if len(rows) < 4 or _WORDS.search(rows[0]) or may_be_days(rows[1]):
        return len(rows) >= 4
    delimiter = max(",;\t|", key=rows[1].count)
    table = [split_line(line, delimiter) for line in rows[1:]]
    columns = list(zip(*table, strict=False))
    rising = falling = 0
    for column in columns:
        values = [float(cell) for cell in column if is_number(cell)]
        if len(values) < 0.9 * len(column):
            continue
        steps = [after - before for before, after in pairwise(values)]
        up, down = (sum(sign * step > 0 for step in steps) for sign in (1, -1))
        rising += up > 0.5 * len(steps) and down <= 2
        falling += down > 0.5 * len(steps) and up <= 2
    return rising >= 2 or (falling > 0 and rising == 0)
