"""Brackets in a line that hold a number, or the unit of the one that follows them."""

import re

from looptime.parsers.columns.lexicon import meaning
from looptime.signal_names import OTHER_UNITS
from looptime.units import word_unit

__all__ = ["own_units", "unwrapped"]

_LETTERS = r"[a-zA-Z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]"
#: A name and the bracket that opens right behind it, before a number; and where that closes.
_OPENS = re.compile(r"(?<=\w)[(\[]\s*+$")
_CLOSES = re.compile(rf"(\s?{_LETTERS}{{0,12}}+)\s*+[)\]]")
#: ``batt(V)``, ``gyro [us]:``, before a number.
_BRACKETED = r"\s*+[(\[]\s*+(?P<unit>[^\W\d]{1,12}+(?:/s)?+|%|\N{DEGREE SIGN}C?)\s*+[)\]]"
_UNIT = re.compile(rf"(?<=[^\W\d]){_BRACKETED}(?P<mark>\s*+[:=]?+)\s*+$")
_BEHIND = re.compile(_BRACKETED)
_NAMED = re.compile(r"[^\W\d]\w*")


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


def own_units(left: list[str], numbers: list[str]) -> tuple[list[str], dict[int, str]]:
    """The text around numbers without the units in brackets beside them; and those.

    They stand between a name and its number, or behind it, and at the end of a line only where
    others do so too.

    Examples
    --------
    >>> own_units(["batt(V) ", " gyro [us]: ", " of wheel (left) ", ""], ["12.1", "900", "3"])
    (['batt ', ' gyro: ', ' of wheel (left) ', ''], {0: 'V', 1: 'us'})
    >>> own_units(["t ", " (ms) gyro ", " (us)"], ["21", "1337"])
    (['t ', ' gyro ', ''], {0: 'ms', 1: 'us'})
    >>> own_units(["tray(s) ", ""], ["2"])
    (['tray(s) ', ''], {})
    """
    made = list(left)
    units: dict[int, str] = {}
    for at, piece in enumerate(left[1:]):
        found = _BEHIND.match(piece)
        if found and _is_unit(found["unit"]) and (units or at + 2 < len(left)):
            units[at] = found["unit"]
            made[at + 1] = piece[found.end() :]
    for at, piece in enumerate(made[:-1]):
        found = _UNIT.search(piece)
        if at not in units and found and _is_unit(found["unit"]):
            if (
                found["unit"] == "s"
                and numbers[at].isdecimal()
                and not _lasts(piece[: found.start()])
            ):
                continue  # of a word in the plural, or not
            units[at] = found["unit"]
            made[at] = f"{piece[: found.start()]}{found['mark'].strip()} "
    return made, units


def _lasts(piece: str) -> bool:
    """Whether the name at the end of a text is one of times."""
    return meaning(_NAMED.findall(piece)[-1]) in ("clock", "duration", "period", "whole")


def _is_unit(word: str) -> bool:
    of_no_time = not word[0].isalpha() or word.lower().split("/")[0] in OTHER_UNITS
    return word_unit(word) is not None or of_no_time
