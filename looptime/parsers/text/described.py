"""Columns that remarks above the rows describe, one a line, where no header names them."""

import re
from collections.abc import Sequence

from looptime.units import split_unit, word_unit

__all__ = ["described"]

#: "# col 3: gyro read, us", "% 3 = gyro read [us]": the number of a column and what it holds.
_LINE = re.compile(
    r"^\W*(?P<said>(?:col(?:umn)?|field|spalte|feld|columna|colonne|champ)s?\b)?\W{0,3}"
    r"(?P<number>\d{1,3})\s*(?::|=|\)|\.|-+|\u2013|\u2014)\s+(?P<text>\S.*?)\W*$",
    re.IGNORECASE,
)
_UNIT = re.compile(
    r"(?:[,;]|\s[-\u2013\u2014]|\s+in|\s)\s*(?P<unit>[^\s,;()\[\]]+)$", re.IGNORECASE
)
_OPEN = {")": "(", "]": "["}


def described(remarks: Sequence[str], fields: int) -> tuple[str, ...] | None:
    """Names for columns from remarks of one column each; None where there are no such.

    Without a word for columns, numbers and names may be those of codes: then all columns have one,
    and one says a unit of time.

    Examples
    --------
    >>> described(["# run 7", "# col 1: time, ms", "# col 2: gyro read, us"], 2)
    ('time [ms]', 'gyro read [us]')
    >>> described(["% 0 = t (s)", "% 1 = imu in us"], 2), described(["# 1: loop", "# 2: imu"], 2)
    (('t [s]', 'imu [us]'), None)
    >>> described(["# col 2: imu"], 2), described(["# col 3: imu"], 2), described(["# a"], 2)
    (('column_1', 'imu'), None, None)
    """
    told = [found for line in remarks if (found := _LINE.match(line))]
    said = [found for found in told if found["said"]] or told
    by_number = {int(found["number"]): _named(_closed(found)) for found in said}
    first = int(0 not in by_number)
    if not said or len(by_number) < len(said) or max(by_number) >= first + fields or fields < 2:
        return None
    if not said[0]["said"] and (
        len(by_number) < fields or not any(split_unit(name)[1] for name in by_number.values())
    ):
        return None
    return tuple(by_number.get(first + at, f"column_{at + 1}") for at in range(fields))


def _closed(found: re.Match[str]) -> str:
    """The text of a remark with the bracket that ends it."""
    text, behind = found["text"], found.string[found.end("text") :].strip()
    close = next((mark for mark in behind if mark in _OPEN), "")
    return text + close if close and text.count(_OPEN[close]) > text.count(close) else text


def _named(text: str) -> str:
    """A name with the unit of time behind it in brackets, however the remark has it."""
    if split_unit(text)[1]:
        name, unit = split_unit(text)
        return f"{name.strip()} [{unit}]"
    found = _UNIT.search(text)
    unit = word_unit(found["unit"]) if found else None
    return text if found is None or unit is None else f"{text[: found.start()].strip()} [{unit}]"
