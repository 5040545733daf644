"""A clock in two columns: the date in one, the time of day in another."""

import re
from collections.abc import Collection

import numpy as np

from looptime.array_types import Int
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.text.datetimes import DAY_NS
from looptime.parsers.text.dialect import Dialect, is_missing

__all__ = ["DATE", "date_column", "days"]

#: What the column of dates is known by.
DATE = "date of the clock"
_ISO = re.compile(r"^\s*(?P<y>\d{4})[-/.](?P<b>\d{1,2})[-/.](?P<a>\d{1,2})\s*$")
_SHORT = re.compile(r"^\s*(?P<a>\d{1,2})[-/.](?P<b>\d{1,2})[-/.](?P<y>\d{4}|\d{2})\s*$")


def date_column(dialect: Dialect, taken: Collection[int]) -> Head | None:
    r"""The column that holds nothing but dates, None where there is none or more than one.

    Examples
    --------
    >>> from looptime.parsers.text.sniff import sniff
    >>> like = sniff("day,time,x\n2026-04-03,10:00:00.5,1\n2026-04-03,10:00:00.6,2\n", "a.csv")
    >>> date_column(like, {1}).text
    'day'
    """
    names = dialect.header or ("",) * dialect.fields
    found = []
    for head in heads(names[: dialect.fields]):
        cells = [row[head.index] for row in dialect.sample if not is_missing(row[head.index])]
        if head.index in taken or not cells:
            continue
        if all(_ISO.match(cell) for cell in cells) or all(_SHORT.match(cell) for cell in cells):
            found.append(head)
    return found[0] if len(found) == 1 else None


def days(words: list[str]) -> tuple[Int, str]:
    """Midnight of each date [ns] since 1970, and what is to be said of how it is written.

    Where the day or the month may stand first, a number above 12 tells, else the order in which
    the dates lie closer together; of one date no figure depends on it. What is no date is taken
    for the first that is one.

    Examples
    --------
    >>> at, said = days(["03/04/2026", "04/04/2026"])
    >>> int(np.diff(at)[0]) == DAY_NS, said
    (True, 'day before month: the dates go on by a day so')
    >>> days(["2026-04-03"])[1], days(["03/04/2026"])[1]
    ('', 'day before month, or month before day: no figure depends on it')
    """
    dates = [_ISO.match(word) or _SHORT.match(word) for word in words]
    read = {first: _midnights(dates, first) for first in (True, False)}
    if any(date is not None and date.re is _ISO for date in dates) or not any(dates):
        return read[True][0], ""
    (by_day, wrong_day), (by_month, wrong_month) = read[True], read[False]
    if wrong_day or wrong_month:
        return (by_day, "day before month") if wrong_day <= wrong_month else (
            by_month, "month before day",
        )  # fmt: skip
    if not np.ptp(by_day):
        return by_day, "day before month, or month before day: no figure depends on it"
    if np.ptp(by_day) <= np.ptp(by_month):
        return by_day, "day before month: the dates go on by a day so"
    return by_month, "month before day: the dates go on by a day so"


def _midnights(dates: list[re.Match[str] | None], day_first: bool) -> tuple[Int, int]:
    """Midnights [ns], and how many dates there are not."""
    found: list[int | None] = []
    for date in dates:
        if date is None:
            found.append(None)
            continue
        day, month = int(date["a"]), int(date["b"])
        if date.re is _SHORT and not day_first:
            day, month = month, day
        year = int(date["y"]) + (2000 if len(date["y"]) == 2 else 0)
        try:
            at = np.datetime64(f"{year:04d}-{month:02d}-{day:02d}", "D")
        except ValueError:
            found.append(None)
            continue
        found.append(int(at.astype(np.int64)) * DAY_NS)
    first = next((at for at in found if at is not None), 0)
    return np.array([first if at is None else at for at in found], np.int64), found.count(None)
