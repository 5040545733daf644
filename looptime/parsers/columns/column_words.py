"""Words for a column, and for one by its place, in a line above the rows: ``erste Spalte``."""

import re
from collections.abc import Callable, Sequence

__all__ = ["COLUMN_WORDS", "by_place"]

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
#: One column by its place, none of several; without the word where a unit is said of it at once.
_BY_PLACE = re.compile(
    rf"(?<!\w)(?:(?P<place>{_PLACE})\s+(?:{_ONE})|(?:{_ONE})\s+(?P<behind>{_PLACE})|"
    rf"(?:{_ONE})\s+(?P<number>\d{{1,2}})(?!\s*(?:[-+&/,.\u2013]|[^\W\d_]+)\s*\d)|"
    rf"(?P<alone>{_PLACE})(?=\s*[(:]\s*(?P<unit>[^\W\d_]+)))(?!\w)"
)
_NAMES_COLUMNS = re.compile(rf"(?<!\w)(?:{'|'.join(COLUMN_WORDS)})(?!\w)")


def by_place(
    line: str, header: Sequence[str], unit_of: Callable[[str], str | None]
) -> tuple[str, dict[str, str]]:
    """A line with a word of its own for each column that it names by place, and what those are.

    Columns are counted from 1, or from 0 where the line has a column 0.

    Parameters
    ----------
    line : str
        In lower case without accents.
    header : sequence of str
        Names of the columns.
    unit_of : function
        The unit of time that a word is.

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
    least = min((int(m["number"]) for m in _BY_PLACE.finditer(line) if m["number"]), default=1)
    found: dict[str, str] = {}

    def word(match: re.Match[str]) -> str:
        place = match["place"] or match["behind"] or match["alone"]
        at = _PLACES[place] if place else int(match["number"]) - min(least, 1)
        if at >= len(header) or not header[at] or (match["alone"] and not unit_of(match["unit"])):
            return match[0]
        made = f"column_{at % len(header)}_"
        found[made] = header[at]
        return made

    return _BY_PLACE.sub(word, line), found
