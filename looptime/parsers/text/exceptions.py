"""Words by which a line above the rows takes some columns out of what it says of all."""

import re
from collections.abc import Sequence

from looptime.units import spoken_unit

__all__ = ["EXCEPT", "parts_units", "states_several"]

#: Words for "except", with or without accents.
EXCEPT = re.compile(
    r"(?<!\w)(?:except(?:ing)?(?: for)?|apart from|aside from|other than|save for|but(?: for)?|"
    r"excluding|with the exception of|au(?:ss|\u00df)er|ausgenommen|bis auf|"
    r"mit ausnahme(?: von| der)?|sauf|except[e\u00e9]|hormis|hors|[a\u00e0] l.exception d[eu]|"
    r"excepto|salvo|menos|(?:con|a) excepci[o\u00f3]n de|tranne|eccetto|ad eccezione d\w+|exceto|"
    r"com exce[c\u00e7][a\u00e3]o d[aeo]|behalve|uitgezonderd|met uitzondering van)(?!\w)",
    re.IGNORECASE,
)
_WORD = re.compile(r"[^\W\d_]+")
#: A word where the unit of a column stands.
_SAID = re.compile(
    r"\b(?:in|en|em)\s+([^\W\d_]+)|[(\[]\s*([^\W\d_]+)\s*[)\]]|[:=]\s*([^\W\d_]+)\s*(?=[,;|]|$)"
)


def parts_units(line: str) -> bool:
    """Whether a line states units of time on both sides of, or behind, a word for except.

    Examples
    --------
    >>> parts_units("# all in ms, except bus (us)"), parts_units("# time in us, but no date")
    (True, False)
    """
    found = EXCEPT.search(line)
    behind = "" if found is None else line[found.end() :]
    return any(spoken_unit(word) for word in _WORD.findall(behind))


def states_several(lines: Sequence[str]) -> bool:
    """Whether lines state more than one unit of time, each of other columns.

    Examples
    --------
    >>> states_several(["# erste Spalte in s, alle Zeiten in ms"])
    True
    >>> states_several(["# all times in ms (run of 3 s)"]), states_several(["# in ms", "# t: s"])
    (False, True)
    """
    words = [word for line in lines for found in _SAID.findall(line) for word in found if word]
    units = {spoken_unit(word) for word in words}
    return len(units - {None}) > 1
