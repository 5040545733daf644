"""Words for a column, and for one by its place, in a line above the rows: ``erste Spalte``."""

import re
from collections.abc import Callable, Sequence

__all__ = ["COLUMN_WORDS", "by_place", "counted_from"]

_COLUMN = ("column", "col", "spalte", "colonne", "columna", "coluna", "colonna", "kolom")
#: Words for "column" and for several of them, without accents.
COLUMN_WORDS = frozenset((
    *_COLUMN, "columns", "spalten", "colonnes", "columnas", "colunas", "kolommen",
))  # fmt: skip
#: Words for a column by its place.
_PLACES = dict.fromkeys((
    "first", "1st", "1.", "erste", "ersten", "erster", "premiere", "1ere", "primera", "primeira",
    "prima", "eerste", "1e",
), 0) | dict.fromkeys((
    "last", "letzte", "letzten", "letzter", "derniere", "ultima", "laatste",
), -1)  # fmt: skip
_ONE, _PLACE = "|".join(_COLUMN), "|".join(map(re.escape, _PLACES))
_SOME = "|".join(sorted(COLUMN_WORDS, key=len, reverse=True))
#: One column by its place, none of several; without the word where a unit is said of it at once.
_BY_PLACE = re.compile(
    rf"(?<!\w)(?:(?P<place>{_PLACE})\s+(?:{_ONE})|(?:{_ONE})\s+(?P<behind>{_PLACE})|"
    rf"(?:{_ONE})\s+(?P<number>\d{{1,2}})(?!\s*(?:[-+&/,.\u2013]|[^\W\d_]+)\s*\d)|"
    rf"(?P<alone>{_PLACE})(?=\s*[(:]\s*(?P<unit>[^\W\d_]+)(?!\s*\)\s*(?:{_SOME}))))(?!\w)"
)
#: A column by its number, and the name that stands behind it.
_NUMBERED = re.compile(rf"(?<!\w)(?:{_SOME})\s+(\d{{1,2}})(?!\w)(?:\s*[=:]\s*([^\s,;:()=]+))?")
_NAMES_COLUMNS = re.compile(rf"(?<!\w)(?:{'|'.join(COLUMN_WORDS)})(?!\w)")


def by_place(
    line: str, header: Sequence[str], unit_of: Callable[[str], str | None], base: int | None = 1
) -> tuple[str, dict[str, str]]:
    """A line with a word of its own for each column that it names by place, and what those are.

    Parameters
    ----------
    line : str
        In lower case without accents.
    header : sequence of str
        Names of the columns.
    unit_of : function
        The unit of time that a word is.
    base : int or None
        Number of the first column; None where nobody knows, and numbers stand for no column.

    Examples
    --------
    >>> from looptime.units import word_unit
    >>> by_place("erste spalte in s, alle zeiten in ms", ("t", "imu"), word_unit)
    ('column_0_ in s, alle zeiten in ms', {'column_0_': 't'})
    >>> by_place("columns in ms, but the last (s)", ("t", "imu"), word_unit)
    ('columns in ms, but the column_1_ (s)', {'column_1_': 'imu'})
    >>> by_place("columns 2 to 5 in ms; first loops in s", ("t", "imu"), word_unit)[1]
    {}
    """
    if not header or not _NAMES_COLUMNS.search(line):
        return line, {}
    found: dict[str, str] = {}

    def word(match: re.Match[str]) -> str:
        place = match["place"] or match["behind"] or match["alone"]
        if not place and (base is None or int(match["number"]) < base):
            return match[0]
        at = _PLACES[place] if place else int(match["number"]) - (base or 0)
        if at >= len(header) or not header[at] or (match["alone"] and not unit_of(match["unit"])):
            return match[0]
        made = f"column_{at % len(header)}_"
        found[made] = header[at]
        return made

    return _BY_PLACE.sub(word, line), found


def counted_from(lines: Sequence[str], header: Sequence[str]) -> set[int]:
    """The numbers that the first column may have by what lines say: all of them together.

    There is a column 0, or as high a number as there are columns, or a name behind a number.
    Empty where nothing tells, both where lines contradict each other.

    Examples
    --------
    >>> counted_from(["column 0 in s", "column 1 in ms"], ("t", "imu", "arm"))
    {0}
    >>> counted_from(["column 1 = t, column 2 = imu"], ("t", "imu", "arm"))
    {1}
    >>> counted_from(["column 1 in ms"], ("t", "imu")), counted_from(["column 2"], ("t", "imu"))
    (set(), {1})
    """
    places = {name: at for at, name in enumerate(header) if name and header.count(name) == 1}
    found = [(int(m[1]), m[2]) for line in lines for m in _NUMBERED.finditer(line)]
    told = {number - places[name] for number, name in found if name in places} & {0, 1}
    told |= {0 for number, _ in found if number == 0}
    return told | {1 for number, _ in found if number == len(header)}
