"""Words by which a line above the rows takes some columns out of what it says of all."""

import re

from looptime.units import word_unit

__all__ = ["EXCEPT", "parts_units"]

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


def parts_units(line: str) -> bool:
    """Whether a line states units of time on both sides of, or behind, a word for except.

    Examples
    --------
    >>> parts_units("# all in ms, except bus (us)"), parts_units("# time in us, but no date")
    (True, False)
    """
    found = EXCEPT.search(line)
    behind = "" if found is None else line[found.end() :]
    return any(word_unit(word) for word in _WORD.findall(behind))
