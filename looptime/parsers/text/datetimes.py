"""Instants written as text: dates with a time, times of day, and decimals too long for a float."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from looptime.units import NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["CLOCK", "DATE_TIME", "DAY_NS", "decimal", "parse_stamps", "stamp_format"]

Int = NDArray[np.int64]
#: Formats: a date with a time of day; a time of day alone.
DATE_TIME = "date-time"
CLOCK = "clock time"
DAY_NS = 86_400 * NS_PER_S

_DATE = r"(?P<y>\d{4})[-/](?P<mo>\d{1,2})[-/](?P<d>\d{1,2})"
_ZONE = r"(?P<z>[Zz]|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
_ISO = (
    rf"^\s*{_DATE}(?:[T ](?P<h>\d{{1,2}}):(?P<mi>\d{{2}})(?::(?P<s>\d{{2}})(?:[.,](?P<f>\d+))?)?"
    rf"\s*{_ZONE})?\s*$"
)
_TIME = r"^\s*(?:(?P<h>\d{1,3}):)?(?P<mi>\d{1,3}):(?P<s>\d{2})(?:[.,](?P<f>\d+))?\s*$"
_DECIMAL = r"^\s*(?P<sign>[+-]?)(?P<n>\d{1,18})(?:[.,](?P<f>\d*))?\s*$"
_NOTHING = ("", "nan", "na", "n/a", "null", "none", "-")


def stamp_format(cells: list[str]) -> str | None:
    """The date-time format of a column's first cells, None where they are numbers or words.

    Examples
    --------
    >>> stamp_format(["2026-03-01T10:00:00.125Z"]), stamp_format(["23:59:59.98"])
    ('date-time', 'clock time')
    >>> stamp_format(["12.5"]) is None
    True
    """
    texts = [cell for cell in cells if cell.strip().lower() not in _NOTHING]
    for name, pattern in ((DATE_TIME, _ISO), (CLOCK, _TIME)):
        like = re.compile(pattern)
        if texts and sum(bool(like.match(text)) for text in texts) > 0.9 * len(texts):
            return name
    return None


def decimal(unit_ns: int) -> str:
    """The format of decimals that are to keep every digit, in a unit of `unit_ns` nanoseconds."""
    return f"decimal {unit_ns}"


def parse_stamps(
    column: pa.ChunkedArray, fmt: str
) -> tuple[Int, NDArray[np.bool_], NDArray[np.bool_]]:
    """Instants of a text column.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        Strings, shape (n,).
    fmt : str
        `DATE_TIME`, `CLOCK` or what `decimal` returns.

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
    >>> import pyarrow as pa
    >>> ns, ok, given = parse_stamps(pa.chunked_array([["00:00:01.5", "x", ""]]), CLOCK)
    >>> ns.tolist(), ok.tolist(), given.tolist()
    ([1500000000, 0, 0], [True, False, True], [True, True, False])
    >>> parse_stamps(pa.chunked_array([["1767225600.123456789"]]), decimal(10**9))[0].tolist()
    [1767225600123456789]
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.fill_null(column, "")
    empty = pc.is_in(pc.utf8_lower(pc.utf8_trim_whitespace(text)), value_set=pa.array(_NOTHING))
    given = ~empty.to_numpy().astype(bool)
    pattern = {DATE_TIME: _ISO, CLOCK: _TIME}.get(fmt, _DECIMAL)
    found = pc.extract_regex(text, pattern)
    if isinstance(found, pa.ChunkedArray):
        found = found.combine_chunks()
        if isinstance(found, pa.ChunkedArray):
            found = found.chunk(0) if found.num_chunks else pa.array([], found.type)
    ok = found.is_valid().to_numpy(zero_copy_only=False)
    if fmt == DATE_TIME:
        ns, fine = _date_time(found)
    elif fmt == CLOCK:
        ns, fine = _clock(found)
    else:
        ns, fine = _decimal(found, int(fmt.split()[1]))
    ok = ok & fine
    return np.where(ok, ns, 0), ok | ~given, given


def _int(found: Any, key: str) -> Int:
    """A group of digits as numbers, 0 where it is absent."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.fill_null(pc.struct_field(found, key), "")
    text = pc.if_else(pc.equal(text, ""), "0", text)
    made: Int = pc.cast(text, pa.int64()).to_numpy()
    return made


def _fraction(found: Any, digits: int = 9) -> Int:
    """Digits after the decimal mark, as a whole number of 10**-digits."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.fill_null(pc.struct_field(found, "f"), "")
    padded = pc.utf8_slice_codeunits(pc.utf8_rpad(text, digits, "0"), 0, digits)
    made: Int = pc.cast(padded, pa.int64()).to_numpy()
    return made


def _day_time(found: Any) -> tuple[Int, NDArray[np.bool_]]:
    hours, minutes, seconds = (_int(found, key) for key in ("h", "mi", "s"))
    total = (hours * 3600 + minutes * 60 + seconds) * NS_PER_S + _fraction(found)
    return total, seconds < 61


def _clock(found: Any) -> tuple[Int, NDArray[np.bool_]]:
    return _day_time(found)


def _date_time(found: Any) -> tuple[Int, NDArray[np.bool_]]:
    years, months, days = (_int(found, key) for key in ("y", "mo", "d"))
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

    text = pc.fill_null(pc.struct_field(found, "z"), "")
    coded = pc.dictionary_encode(text)
    shifts = []
    for zone in coded.dictionary.to_pylist():
        digits = zone.lstrip("+-").replace(":", "")
        minutes = int(digits[:2]) * 60 + int(digits[2:4] or 0) if digits.isdigit() else 0
        shifts.append((-minutes if zone.startswith("-") else minutes) * 60 * NS_PER_S)
    return np.asarray(shifts or [0], np.int64)[coded.indices.to_numpy()]


def _decimal(found: Any, unit_ns: int) -> tuple[Int, NDArray[np.bool_]]:
    import pyarrow.compute as pc

    whole = _int(found, "n")
    fine = whole <= np.iinfo(np.int64).max // unit_ns - 1
    # nine digits after the mark reach below the nanosecond in every unit
    part = np.rint(_fraction(found) * (unit_ns / 1e9)).astype(np.int64)
    if unit_ns == NS_PER_S:
        part = _fraction(found)
    ns = np.where(fine, whole, 0) * unit_ns + part
    minus = pc.equal(pc.struct_field(found, "sign"), "-")
    return np.where(pc.fill_null(minus, False).to_numpy(zero_copy_only=False), -ns, ns), fine
