"""Instants written as text: dates with a time, times of day, and decimals too long for a float."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from looptime.array_types import Bool, Int
from looptime.parsers.text.buffers import digits, firsts, marked, plain, present, texts
from looptime.units import NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = [
    "CLOCK", "DATE_TIME", "DAY_FIRST", "DAY_NS", "MONTH_FIRST", "decimal", "either_first",
    "parse_stamps", "printed_ns", "stamp_format",
]  # fmt: skip

#: Formats: a date with a time of day, year, day or month first; a time of day alone.
DATE_TIME = "date-time"
DAY_FIRST = "day/month date-time"
MONTH_FIRST = "month/day date-time"
CLOCK = "clock time"
DAY_NS = 86_400 * NS_PER_S

_DATE = r"(?P<y>\d{4})[-/](?P<mo>\d{1,2})[-/](?P<d>\d{1,2})"
_SHORT = r"(?P<{0}>\d{{1,2}})[-/.](?P<{1}>\d{{1,2}})[-/.](?P<y>\d{{4}}|\d{{2}})"
_ZONE = r"(?P<z>[Zz]|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
_HALF = r"\s*(?:(?P<p>[AaPp])\.?[Mm]\.?)?"  # AM or PM
_OF_DAY = (
    r"[T ]\s*(?P<h>\d{1,2}):(?P<mi>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d+))?)?"
    rf"{_HALF}\s*{_ZONE}"
)
_TIME = (
    r"^\s*(?:(?P<d>\d{1,5}) days?,? )?"
    r"(?:(?P<h>\d{1,3}):)?(?P<mi>\d{1,3}):(?P<s>\d{2})(?:[.,](?P<f>\d+))?"
    rf"{_HALF}\s*{_ZONE}\s*$"
)
_PATTERNS = {
    DATE_TIME: rf"^\s*{_DATE}(?:{_OF_DAY})?\s*$",
    DAY_FIRST: rf"^\s*{_SHORT.format('d', 'mo')}{_OF_DAY}\s*$",
    MONTH_FIRST: rf"^\s*{_SHORT.format('mo', 'd')}{_OF_DAY}\s*$",
    CLOCK: _TIME,
}
_DECIMAL = r"^\s*(?P<sign>[+-]?)(?P<n>\d{1,18})(?:[.,](?P<f>\d*))?\s*$"
_NOTHING = ("", "nan", "na", "n/a", "null", "none", "-")


def stamp_format(cells: list[str]) -> str | None:
    """The date-time format of a column's first cells, None where they are numbers or words.

    Examples
    --------
    >>> stamp_format(["2026-03-01T10:00:00.125Z"]), stamp_format(["23:59:59.98"])
    ('date-time', 'clock time')
    >>> stamp_format(["13/02/2026 09:13:22 PM"]), stamp_format(["02/13/26 9:13"])
    ('day/month date-time', 'month/day date-time')
    >>> stamp_format(["12.5"]) is None
    True
    """
    texts = [cell for cell in cells if cell.strip().lower() not in _NOTHING]
    if all(text.lstrip(" +-").strip(" 0123456789") in ("", ".") for text in texts):
        return None  # most columns: the patterns need not be made for them
    for name in (DATE_TIME, CLOCK, DAY_FIRST):
        like = re.compile(_PATTERNS[name])
        found = [m for text in texts if (m := like.match(text))]
        if texts and len(found) > 0.9 * len(texts):
            return _first(found) if name == DAY_FIRST else name
    return None


def _first(dates: list[re.Match[str]]) -> str:
    """Whether the day or the month stands first, by what the dates themselves allow.

    A number above 12 is no month. Where none is, the order counts only where the date changes:
    then the right one goes on by a day, the wrong one by a month. A half of the day is written
    where the month stands first.
    """
    pairs = [(int(m["d"]), int(m["mo"])) for m in dates]
    if any(one > 12 for one, _ in pairs):
        return DAY_FIRST
    if any(other > 12 for _, other in pairs):
        return MONTH_FIRST
    changed = [(a, b) for a, b in pairwise(pairs) if a != b]
    if changed:
        by_day = sum(a[1] == b[1] for a, b in changed)
        by_month = sum(a[0] == b[0] for a, b in changed)
        if by_day != by_month:
            return DAY_FIRST if by_day > by_month else MONTH_FIRST
    return MONTH_FIRST if any(m["p"] for m in dates) else DAY_FIRST


def either_first(cells: list[str]) -> bool:
    """Whether the day or the month may stand first in dates that do not change.

    Examples
    --------
    >>> either_first(["03/04/2026 10:00:00", "03/04/2026 10:00:01"])
    True
    >>> either_first(["13/04/2026 10:00:00"]), either_first(["03/04/2026 9:00", "04/04/2026 9:00"])
    (False, False)
    """
    like = re.compile(_PATTERNS[DAY_FIRST])
    pairs = {(int(m["d"]), int(m["mo"])) for cell in cells if (m := like.match(cell))}
    return len(pairs) == 1 and max(next(iter(pairs))) <= 12


def printed_ns(cells: list[str]) -> int:
    """The last digit that times are printed with [ns].

    Examples
    --------
    >>> printed_ns(["10:00:00.50", "10:00:01.25"]), printed_ns(["2026-03-14 10:00:00 +00:00"])
    (10000000, 1000000000)
    """
    digits = [len(m[1]) for cell in cells if (m := re.search(r":\d\d[.,](\d+)", cell))]
    return int(10 ** max(0, 9 - max(digits, default=0)))


def decimal(unit_ns: int) -> str:
    """The format of decimals that are to keep every digit, in a unit of `unit_ns` nanoseconds."""
    return f"decimal {unit_ns}"


def parse_stamps(column: pa.ChunkedArray | pa.StringArray, fmt: str) -> tuple[Int, Bool, Bool]:
    """Instants of a text column.

    Parameters
    ----------
    column : pyarrow.ChunkedArray or pyarrow.StringArray
        Strings, shape (n,).
    fmt : str
        `DATE_TIME`, `DAY_FIRST`, `MONTH_FIRST`, `CLOCK` or what `decimal` returns.

    Returns
    -------
    ns : int64 array, shape (n,) [ns]
        Since 1970 UTC for dates (a date without zone is taken as it stands), since midnight for
        times of day; 0 where there is none.
    ok : bool array, shape (n,)
        False where a cell holds something else.
    given : bool array, shape (n,)
        False where a cell is empty.

    Examples
    --------
    >>> ns, ok, given = parse_stamps(texts(["00:00:01.5", "x", ""]), CLOCK)
    >>> ns.tolist(), ok.tolist(), given.tolist()
    ([1500000000, 0, 0], [True, False, True], [True, True, False])
    >>> parse_stamps(texts(["1 days 00:00:02.5"]), CLOCK)[0].tolist()
    [86402500000000]
    >>> parse_stamps(texts(["1767225600.123456789"]), decimal(10**9))[0].tolist()
    [1767225600123456789]
    """
    import pyarrow.compute as pc

    text = _whole(column)
    empty = pc.is_in(pc.utf8_lower(pc.utf8_trim_whitespace(text)), value_set=texts(_NOTHING))
    given = ~marked(empty)
    found = pc.extract_regex(text, _PATTERNS.get(fmt, _DECIMAL))
    ok = present(found)
    if fmt == CLOCK:
        ns, fine = _day_time(found)
        ns = ns - _zone(found) + _int(found, "d") * DAY_NS
    elif fmt in _PATTERNS:
        ns, fine = _date_time(found)
    else:
        ns, fine = _decimal(found, int(fmt.split()[1]))
    ok = ok & fine
    return np.where(ok, ns, 0), ok | ~given, given


def _whole(column: pa.ChunkedArray | pa.StringArray) -> pa.StringArray:
    """A column in one piece, without gaps."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if isinstance(column, pa.ChunkedArray):
        column = pa.concat_arrays(column.chunks) if column.num_chunks else texts([])
    return pc.fill_null(column, "") if column.null_count else column


def _part(found: Any, key: str) -> pa.StringArray:
    """A group of what was found."""
    import pyarrow.compute as pc

    return pc.struct_field(found, key)


def _int(found: Any, key: str) -> Int:
    """A group of digits as numbers, 0 where it is absent."""
    return digits(_part(found, key), 18)


def _fraction(found: Any) -> Int:
    """Digits after the decimal mark, as a whole number of 10**-9."""
    return digits(_part(found, "f"), 9, fill=True)


def _day_time(found: Any) -> tuple[Int, Bool]:
    hours, minutes, seconds = (_int(found, key) for key in ("h", "mi", "s"))
    half = firsts(_part(found, "p"))
    late = (half == ord("p")) | (half == ord("P"))
    hours = np.where(half == 0, hours, hours % 12 + 12 * late)
    total = (hours * 3600 + minutes * 60 + seconds) * NS_PER_S + _fraction(found)
    return total, seconds < 61


def _date_time(found: Any) -> tuple[Int, Bool]:
    years, months, days = (_int(found, key) for key in ("y", "mo", "d"))
    years = np.where(years < 100, years + 2000, years)
    fine = (years >= 1700) & (years <= 2250) & (months >= 1) & (months <= 12) & (days >= 1)
    index = np.where(fine, (years - 1970) * 12 + months - 1, 0)
    first = index.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    after = (index + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    fine &= days <= after - first
    time, good = _day_time(found)
    fine &= good & (_int(found, "h") < 25) & (_int(found, "mi") < 60)
    day = np.where(fine, first + days - 1, 0)
    return day * DAY_NS + np.where(fine, time - _zone(found), 0), fine


def _zone(found: Any) -> Int:
    """Distance of the written time from UTC [ns]."""
    import pyarrow.compute as pc

    coded = pc.dictionary_encode(_part(found, "z"))
    shifts = []
    for zone in coded.dictionary.to_pylist():
        ahead = zone.lstrip("+-").replace(":", "")
        minutes = int(ahead[:2]) * 60 + int(ahead[2:4] or 0) if ahead.isdecimal() else 0
        shifts.append((-minutes if zone.startswith("-") else minutes) * 60 * NS_PER_S)
    return np.asarray([*shifts, 0], np.int64)[plain(coded.indices, -1)]  # the last for none


def _decimal(found: Any, unit_ns: int) -> tuple[Int, Bool]:
    whole = _int(found, "n")
    fine = whole <= np.iinfo(np.int64).max // unit_ns - 1
    # nine digits after the mark reach below the nanosecond in every unit
    part: Int = np.rint(_fraction(found) * (unit_ns / 1e9)).astype(np.int64)
    if unit_ns == NS_PER_S:
        part = _fraction(found)
    ns = np.where(fine, whole, 0) * unit_ns + part
    return np.where(firsts(_part(found, "sign")) == ord("-"), -ns, ns), fine
