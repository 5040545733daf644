"""A unit that a line above the rows states of all columns but some: ``in ms, except bus (us)``."""

import re
from collections.abc import Callable, Mapping

from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.text.exceptions import EXCEPT
from looptime.records import dataclass

__all__ = ["Exceptions", "read_exceptions"]

#: Words for the clock, where no column is called so.
_CLOCK = frozenset((
    "time", "clock", "timestamp", "timestamps", "stamp", "stamps", "zeit", "zeitstempel", "uhr",
    "temps", "horodatage", "tiempo", "tempo", "reloj", "tijd", "tijdstempel", "orologio",
))  # fmt: skip


@dataclass(frozen=True)
class Exceptions:
    """The unit of all columns but some, and theirs: empty where nobody says which."""

    rest: str
    named: Mapping[str, str]


def read_exceptions(
    line: str, names: Mapping[str, str], unit_of: Callable[[str], str | None]
) -> Exceptions | None:
    """What a line says of all columns but some; None where it speaks of no exception.

    Parameters
    ----------
    line : str
        In lower case without accents.
    names : mapping of str to str
        Columns by their names in lower case without accents.
    unit_of : function
        The unit of time that a word is.

    Examples
    --------
    >>> from looptime.units import word_unit
    >>> read_exceptions("all in ms, except bus (us)", {"bus": "Bus", "map": "map"}, word_unit)
    Exceptions(rest='ms', named={'Bus': 'us'})
    >>> read_exceptions("all but bus in ms, bus in us", {"bus": "Bus", "map": "map"}, word_unit)
    Exceptions(rest='ms', named={'Bus': 'us'})
    """
    found = EXCEPT.search(line)
    if found is None:
        return None
    known = sorted(filter(None, names), key=len, reverse=True)
    either = "|".join([*map(re.escape, known), r"[^\W\d_]+"])
    token = re.compile(rf"(?<!\w)(?:{either})(?!\w)")
    ahead = [unit for word in token.findall(line[: found.start()])
             if word not in names and (unit := unit_of(word))]  # fmt: skip
    rest = ahead[-1] if ahead else None
    named: dict[str, str] = {}
    waiting: list[str] = []
    for word in token.findall(line[found.end() :]):
        if word in names:
            waiting.append(names[word])
        elif word in _CLOCK:
            waiting += [name for name in names.values() if meaning(name) == "clock"]
        elif unit := unit_of(word):
            if rest is None:
                rest, unit = unit, ""
            named.update(dict.fromkeys(waiting, unit))
            waiting = []
    named.update({name: named.get(name, "") for name in waiting})
    return Exceptions(rest, named) if rest is not None and named else None
