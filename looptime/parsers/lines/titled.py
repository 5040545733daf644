"""Names of a line's numbers that stand behind a title, or before a unit, which is theirs all."""

import re

from looptime.length_groups import of_lengths, without_groups
from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.columns.lexicon import meaning, of_a_clock
from looptime.units import word_unit

__all__ = ["titled"]

_LETTERS = r"[a-zA-Z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]{1,14}"
_IN_BRACKETS = rf"[(\[]\s*+(?:all\s++)?(?:in\s++)?(?P<unit>{_LETTERS})\s*+[)\]]"
#: ``took(ms) gyro:``, ``times in us: gyro=``, ``ms {gyro=``: up to four words before a name.
_TITLE = re.compile(
    rf"(?P<words>(?<![\w.])(?:[^\W\d]\w*[ \t]+){{0,3}}[^\W\d]\w*)?"
    rf"[ \t]*+(?:{_IN_BRACKETS}\s*+[:=]?+\s*+|:\s++|[:=]?+\s*+[{{(\[]\s*+)(?=[^\W\d])"
)
#: Where the names of a title are over.
_OVER = re.compile(r"[|;)\]}]")
_CLOSING = re.compile(rf"[\s)\]}}]*+{_IN_BRACKETS}\W*")


def titled(left: list[str], names: list[str | None], units: list[str | None]) -> list[str | None]:
    """Names of a line's numbers as members of the group of lengths whose title the line holds.

    Members are what follows the title up to a bracket or bar, or to the end without the readings
    that stand there; or all names that a unit in brackets closes. What has a unit of its own keeps
    it.

    Parameters
    ----------
    left : list of str
        Text before, between and after the numbers, without the units that follow them.
    names, units : list
        Of each number, as far as the words right around it tell.

    Examples
    --------
    >>> titled([" took(ms) gyro:", " enc:", " | volts:", ""], ["gyro", "enc", "volts"], [None] * 3)
    ['took_ms.gyro', 'took_ms.enc', 'volts']
    >>> titled(["gyro=", " enc=", " (us)"], ["gyro", "enc"], [None] * 2)
    ['us.gyro', 'us.enc']
    >>> titled([" gyro (ms) mean ", " max ", ""], ["mean", "max"], [None] * 2)
    ['mean', 'max']
    """
    made = list(names)
    for at, piece in enumerate(left[:-1]):
        title = _title(piece)
        if title is not None:
            _join(made, title, _members(left, names, at), units)
    closing = _CLOSING.fullmatch(left[-1]) if made == names else None
    if closing is not None and (unit := word_unit(closing["unit"])):
        ends = [at for at in range(1, len(names)) if _OVER.search(left[at])]
        _join(made, unit, range(ends[-1] if ends else 0, len(names)), units)
    return made


def _title(piece: str) -> str | None:
    """The title of a group of lengths with which a text goes on to the name of a number."""
    for found in reversed(list(_TITLE.finditer(piece))):
        words, unit = (found["words"] or "").split(), found["unit"]
        if words and LOOP_WORD.search(words[-1].lower()):  # what follows are figures of it
            continue
        for at in range(len(words) or 1):
            title = "_".join([*words[at:], *([unit] if unit else [])])
            member = of_lengths(f"{title}.x1")
            of_all = without_groups(f"{title}.x1") == "x1"
            if of_all and member is not None and (member[1] or not of_a_clock(title)):
                return title
    return None


def _members(left: list[str], names: list[str | None], first: int) -> range:
    """Numbers from one on up to where a bracket or bar ends them, or the line does."""
    places = range(first, len(names))
    end = next((at for at in places if _OVER.search(left[at + 1])), None)
    if end is not None:
        return range(first, end + 1)
    lengths = [at for at in places if (name := names[at]) and meaning(name) != "signal"]
    return range(first, max(lengths, default=-1) + 1)


def _join(made: list[str | None], title: str, members: range, units: list[str | None]) -> None:
    for at in members:
        if made[at] and not units[at]:
            made[at] = f"{title}.{made[at]}"
