"""A line above the rows that says a unit before the columns that have it: ``us: gyro, drive``."""

import re
from collections.abc import Callable, Mapping

__all__ = ["units_behind"]

#: What may stand before the first unit.
_BEFORE = re.compile(r"[\W_]*?(?:(?:units?|einheit(?:en)?|unidad(?:es)?)\s*[:=]\s*)?(?=[\w\[(])")
#: A unit that is set before names: in brackets, with a mark behind it, or with a word for "for".
_UNIT = re.compile(
    r"(?:(?:in|en|em)\s+)?(?:\[\s*([^\W\d_]+)\s*\]|\(\s*([^\W\d_]+)\s*\)|([^\W\d_]+)(?=\s*[:=([]|"
    r"\s+(?:[-\u2013\u2014]|for|fur|fuer|pour|para|voor|dla)\s))"
    r"\s*(?:[-:=([\u2013\u2014]|(?:for|fur|fuer|pour|para|voor|dla)\s)?"
)
#: What parts names; words among it say nothing of them.
_BETWEEN = re.compile(
    r"(?:[\s,;|/+&)\]]|\.(?=\s|$)|(?:and|und|et|y|e|en|oraz|the|der|die|das|el|los|las|les)\s)*"
)
_CLAUSES = re.compile(r"(;\s*|\.\s+)")


def units_behind(line: str, names: Mapping[str, str], unit_of: Callable[[str], str | None]) -> str:
    """A line with each unit that stands before its columns behind them; others as they are.

    Nothing is turned round where a clause holds more than units and columns.

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
    >>> names = dict.fromkeys(("gyro", "drive", "lift"), "")
    >>> units_behind("# us: gyro, drive; ms: lift", names, word_unit)
    'gyro, drive in us; lift in ms'
    >>> units_behind("lift in s; [us] gyro/drive", names, word_unit)
    'lift in s; gyro, drive in us'
    >>> units_behind("every 5 ms: gyro, drive", names, word_unit)
    'every 5 ms: gyro, drive'
    """
    known = sorted(filter(None, names), key=len, reverse=True)
    if not known:
        return line
    name = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, known))})(?!\w)")
    whole = _turned(line, names, name, unit_of)
    if whole is not None:
        return whole
    return "".join(_turned(one, names, name, unit_of) or one for one in _CLAUSES.split(line))


def _turned(
    line: str, names: Mapping[str, str], name: re.Pattern[str],
    unit_of: Callable[[str], str | None],
) -> str | None:  # fmt: skip
    """Columns with the unit before them put behind; None where a line holds anything else."""
    found = _BEFORE.match(line)
    at = found.end() if found else len(line)
    made: list[tuple[str, list[str]]] = []
    while at < len(line):
        unit = _UNIT.match(line, at)
        word = next(filter(None, unit.groups()), "") if unit else ""
        if unit and word not in names:
            made.append((word, []))
            at = unit.end()
        elif made and (column := name.match(line, at)):
            made[-1][1].append(column[0])
            at = column.end()
        else:
            return None
        between = _BETWEEN.match(line, at)
        at = between.end() if between else at
    if not any(unit_of(word) for word, _ in made) or not all(columns for _, columns in made):
        return None
    return "; ".join(
        f"{', '.join(columns)} in {ours}" if (ours := unit_of(word))
        else "; ".join(f"{column}: {word}" for column in columns)
        for word, columns in made
    )  # fmt: skip
