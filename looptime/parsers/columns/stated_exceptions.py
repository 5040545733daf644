"""A unit that a line above the rows states of all columns but some: ``in ms, except bus (us)``."""

import re
from collections.abc import Callable, Mapping

from looptime.parsers.columns.column_words import COLUMN_WORDS
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.text.exceptions import EXCEPT
from looptime.records import dataclass

__all__ = ["CLOCK_WORDS", "Exceptions", "read_exceptions"]

#: Words for the clock, where no column is called so.
CLOCK_WORDS = frozenset((
    "time", "clock", "timestamp", "timestamps", "stamp", "stamps", "zeit", "zeitstempel", "uhr",
    "temps", "horodatage", "horloge", "tiempo", "tempo", "reloj", "relogio", "tijd", "tijdstempel",
    "klok", "orologio", "czas", "zegar", "instant", "instants",
))  # fmt: skip

#: Words between a column and its unit, and between columns.
_LINKS = frozenset((
    "which", "that", "die", "das", "der", "qui", "que", "che", "is", "are", "ist", "sind", "est",
    "sont", "es", "esta", "estan", "son", "sono", "e", "estao", "sao", "staat", "zijn",
    "in", "en", "em", "the", "a", "and", "und", "et", "y", "i", "le", "la", "les", "el", "los",
    "las", "il", "lo", "gli", "o", "os", "as", "de", "het", "only",
)) | COLUMN_WORDS  # fmt: skip


@dataclass(frozen=True)
class Exceptions:
    """The unit of all columns but some, and theirs: empty where nobody says which.

    No unit of the others where columns are excepted and nobody knows which.
    """

    rest: str
    named: Mapping[str, str]


def read_exceptions(
    line: str, names: Mapping[str, str], unit_of: Callable[[str], str | None]
) -> Exceptions | None:
    """What a line says of all columns but some; None where it speaks of no exception.

    A unit is that of the columns straight before it: one behind a number, or behind words of what
    a column does, is of something else.

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
    >>> read_exceptions("all in ms, except two columns (s)", {"bus": "Bus"}, word_unit)
    Exceptions(rest='', named={})
    >>> read_exceptions("in ms, but bus has a 50 us gap", {"bus": "Bus"}, word_unit) is None
    True
    """
    found = EXCEPT.search(line)
    if found is None:
        return None
    known = sorted(filter(None, names), key=len, reverse=True)
    either = "|".join([*map(re.escape, known), r"\d+(?:[.,]\d+)*", r"[^\W\d_]+"])
    token = re.compile(rf"(?<!\w)(?:{either})(?!\w)")
    ahead = [unit for word in token.findall(line[: found.start()])
             if word not in names and (unit := unit_of(word))]  # fmt: skip
    rest = ahead[-1] if ahead else None
    named: dict[str, str] = {}
    waiting: list[str] = []
    at = found.end()
    for one in token.finditer(line, at):
        word, apart, at = one[0], line[at : one.start()], one.end()
        if word in names:
            waiting.append(names[word])
        elif word in CLOCK_WORDS:
            waiting += [name for name in names.values() if meaning(name) == "clock"]
        elif waiting and (unit := unit_of(word)):
            if rest is None:
                rest, unit = unit, ""
            named.update(dict.fromkeys(waiting, unit))
            waiting = []
        elif word not in _LINKS:  # what is said of them is another thing than a unit
            aside = not apart.isspace()  # behind a mark it says nothing of why they are excepted
            named.update({name: named.get(name, "") for name in waiting if aside})
            waiting = []
    named.update({name: named.get(name, "") for name in waiting})
    if not named and _some_columns(line[found.end() :], unit_of):
        return Exceptions("", {})
    return Exceptions(rest, named) if rest is not None and named else None


def _some_columns(behind: str, unit_of: Callable[[str], str | None]) -> bool:
    """Whether words speak of columns, and of a unit."""
    words = re.findall(r"[^\W\d_]+", behind)
    return not COLUMN_WORDS.isdisjoint(words) and any(unit_of(word) for word in words)
