"""Brackets in a line that hold a number, or the unit of the one that follows them."""

import re

from looptime.signal_names import OTHER_UNITS
from looptime.units import word_unit

__all__ = ["own_units", "unwrapped"]

_LETTERS = r"[a-zA-Z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]"
#: A name and the bracket that opens right behind it, before a number; and where that closes.
_OPENS = re.compile(r"(?<=\w)[(\[]\s*+$")
_CLOSES = re.compile(rf"(\s?{_LETTERS}{{0,12}}+)\s*+[)\]]")
#: ``batt(V)``, ``gyro [us]:``, before a number.
_UNIT = re.compile(
    r"(?<=[^\W\d])\s*+[(\[]\s*+(?P<unit>[^\W\d]{1,12}+(?:/s)?+|%|\N{DEGREE SIGN}C?)\s*+[)\]]"
    r"(?P<mark>\s*+[:=]?+)\s*+$"
)


def unwrapped(pieces: list[str]) -> list[str]:
    """The text around numbers, where several stand in brackets behind their names, as of pairs.

    Examples
    --------
    >>> unwrapped(["loop(", ") gyro(", "ms)"])
    ['loop=', ', gyro=', 'ms,']
    >>> unwrapped(["loop ", " (", " ms)"]), unwrapped(["read(", ") took ", " ms"])
    (['loop ', ' (', ' ms)'], ['read(', ') took ', ' ms'])
    """
    inside = [at for at in range(len(pieces) - 1)
              if _OPENS.search(pieces[at]) and _CLOSES.match(pieces[at + 1])]  # fmt: skip
    if len(inside) < 2:
        return pieces
    made = list(pieces)
    for at in inside:
        made[at] = _OPENS.sub("=", made[at])
        made[at + 1] = _CLOSES.sub(r"\1,", made[at + 1], count=1)
    return made


def own_units(left: list[str]) -> tuple[list[str], dict[int, str]]:
    """The text around numbers without the units in brackets between names and them; and those.

    Examples
    --------
    >>> own_units(["batt(V) ", " gyro [us]: ", " of wheel (left) ", ""])
    (['batt ', ' gyro: ', ' of wheel (left) ', ''], {0: 'V', 1: 'us'})
    """
    made, units = list(left), {}
    for at, piece in enumerate(left[:-1]):
        found = _UNIT.search(piece)
        if found and (word_unit(found["unit"]) or _of_no_time(found["unit"])):
            units[at] = found["unit"]
            made[at] = f"{piece[: found.start()]}{found['mark'].strip()} "
    return made, units


def _of_no_time(unit: str) -> bool:
    return not unit[0].isalpha() or unit.lower().split("/")[0] in OTHER_UNITS
