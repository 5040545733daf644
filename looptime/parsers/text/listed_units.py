"""Units of columns that a remark above the rows lists, in the columns' order or by their names."""

import re
from collections.abc import Sequence

from looptime.units import LONGEST_NAME, split_unit, word_unit

__all__ = ["in_listed_units"]

#: A list of units, behind a word for them or by itself.
_LIST = re.compile(
    r"^\W*(?P<said>(?:[^\W\d_]+\s+){0,2}(?:units?|einheit(?:en)?)\b"
    r"(?:\s+(?:of|per|for|in|der|je)\b[\w\s]{0,24})?\s*[:=]?)?\s*(?P<list>\S.*)$", re.IGNORECASE,
)  # fmt: skip
_PARTED, _PAIR = re.compile(r"[,;|\t]"), re.compile(r"^(.+?)\s*[:=\s]\s*(\S+)$")
#: What stands for no unit, and the longest one.
_NONE, _LONGEST = frozenset(("", "-", "--", "1", "none", "n/a", "na", "text", "bool")), 8
#: What is said of some columns is no longer [characters].
_LONGEST_SAID = 200


#: Names of columns and the unit that a remark says they are in, before a comma or what is added.
_IN = re.compile(r"^(?P<names>.+?)\s+(?:(?:are|is|sind|ist|est|sont)\s+)?(?:in|en)\s+"
                 r"(?P<unit>[^\W\d_]+)\b(?:\s*\(.*)?$", re.IGNORECASE)  # fmt: skip
_AND = re.compile(r"\s*(?:&|\+|/|\b(?:and|und|et|y|e)\b|\s)\s*", re.IGNORECASE)


def in_listed_units(header: tuple[str, ...], remarks: Sequence[str]) -> tuple[str, ...]:
    """A header whose names have the units that a remark lists of all of them, or by name.

    Examples
    --------
    >>> in_listed_units(("start", "imu", "board"), ["# run 7", "# units: ms, us, degC"])
    ('start [ms]', 'imu [us]', 'board [degC]')
    >>> in_listed_units(("start", "imu", "mode"), ["; units: start=ms, imu=us"])
    ('start [ms]', 'imu [us]', 'mode')
    >>> in_listed_units(("clock", "imu"), ["# unit of the columns = [us] [us]"])
    ('clock [us]', 'imu [us]')
    >>> in_listed_units(("start", "imu"), ["# units: ms"]), in_listed_units(("t", "a"), ["# s a"])
    (('start', 'imu'), ('t', 'a'))
    >>> in_listed_units(("t", "imu", "arm"), ["# t in s, imu and arm in microseconds (old timer)"])
    ('t [s]', 'imu [microseconds]', 'arm [microseconds]')
    """
    for line in remarks:
        found = _LIST.match(line)
        units = None if found is None else _of_each(header, found["list"], bool(found["said"]))
        if units is not None:
            return tuple(
                name if unit.lower() in _NONE or split_unit(name)[1] else f"{name} [{unit}]"
                for name, unit in zip(header, units, strict=True)
            )
    return header


def _of_each(header: tuple[str, ...], text: str, said: bool) -> list[str] | None:
    """The unit of every column, empty for none; None where the text is no such list."""
    cells = [cell.strip() for cell in _PARTED.split(text.strip(" ,;|()[]"))]
    cells = text.split() if len(cells) == 1 else cells
    bare = [cell.strip("()[] ") for cell in cells]
    times = [cell for cell in bare if word_unit(cell) and " " not in cell]
    if len(bare) == len(header) > 1 and times:
        plain = all(len(cell) <= _LONGEST and " " not in cell for cell in bare)
        known = said or all(cell in times or cell.lower() in _NONE for cell in bare)
        return bare if plain and known else None
    if told := _in_units(cells, {name.lower() for name in header}):
        return [told.get(name.lower(), "") for name in header]
    pairs = [pair for cell in bare if len(cell) <= LONGEST_NAME and (pair := _PAIR.match(cell))]
    by_name = {pair[1].strip().lower(): pair[2].strip("()[]") for pair in pairs}
    named = {name.lower() for name in header} & by_name.keys()
    if not said or len(pairs) < len(bare) or not named or len(named) < len(by_name):
        return None
    timed = any(word_unit(unit) for unit in by_name.values())
    return [by_name.get(name.lower(), "") for name in header] if timed else None


def _in_units(said: list[str], names: set[str]) -> dict[str, str]:
    """Units of time by the names of columns that words say are in them: ``imu, arm in ms``."""
    made: dict[str, str] = {}
    waiting: list[str] = []
    for text in said:
        found = _IN.match(text) if len(text) <= _LONGEST_SAID else None
        whose = (text if found is None else found["names"]).lower()
        mine = [whose] if whose in names else [one for one in _AND.split(whose) if one]
        waiting = [*waiting, *mine] if mine and set(mine) <= names else []
        if found is not None and word_unit(found["unit"]):
            made |= dict.fromkeys(waiting, found["unit"])
            waiting = []
    return made
