"""A stamp and the words behind it; which of two words is the thread's and which the call's."""

import re
from collections.abc import Sequence

from looptime.parsers.lines.shapes import CLOCK, LEVELS
from looptime.units import word_unit

__all__ = ["RUNS", "stamped", "threads_first", "worded"]

_LEVELS = "|".join(sorted(LEVELS, key=len, reverse=True))
_LEVEL = re.compile(rf"\s*+[\[(<]?(?:{_LEVELS})[\])>]?[\s:|]++", re.IGNORECASE)
_STAMP = re.compile(
    rf"\s*+[\[(<]?(?:t[=:])?(?P<at>{CLOCK}|\d++(?:\.\d++)?)(?![\w.])"
    r"(?:\s?(?P<unit>[mun\N{MICRO SIGN}]?s)(?!\w))?[\s\])>:|,;-]*+"
)
_APART = re.compile(r"[\s:|\[\](){}<>,;=\"']+|(?<!\S)[-\N{EN DASH}\N{EM DASH}]+>?(?!\S)")
#: Words that only join others, in a few languages.
_JOINING = frozenset(
    ("for", "the", "of", "on", "a", "an", "to", "is", "has", "was", "then", "and", "in", "it", "at",
     "by", "und", "dann", "auf", "den", "die", "das", "der", "hat", "el", "la", "los", "las",
     "por", "y", "luego", "de", "en", "ha", "thread", "call", "task")
)  # fmt: skip
#: Fewest lines that tell.
RUNS = 20


def stamped(line: str) -> tuple[str, str | None, str] | None:
    """The stamp of a line, its unit and what stands behind it; None where it has no stamp.

    Examples
    --------
    >>> stamped("[9.8651] cam: grab"), stamped("12 ms arm lock"), stamped("arm 12")
    (('9.8651', None, 'cam: grab'), ('12', 'ms', 'arm lock'), None)
    """
    level = _LEVEL.match(line)
    found = _STAMP.match(line, level.end() if level else 0)
    return found and (found["at"], word_unit(found["unit"] or ""), line[found.end() :])


def worded(text: str) -> list[str]:
    """The words of a text without what parts, joins or grades them.

    Examples
    --------
    >>> worded("INFO [cam] grab: waiting for the bus")
    ['cam', 'grab', 'waiting', 'bus']
    """
    words = [word.strip(".!-") for word in _APART.split(text)]
    return [word for word in words if word and word.lower() not in LEVELS | _JOINING]


def threads_first(pairs: Sequence[tuple[str, str]]) -> bool:
    """Whether the first of two words is the coarser one: threads make calls of several names.

    Examples
    --------
    >>> threads_first([("main", "gyro"), ("main", "drive"), ("cam", "grab")])
    True
    >>> threads_first([("gyro", "main"), ("drive", "main"), ("grab", "cam")])
    False
    """
    first, second = ({pair[at] for pair in pairs} for at in (0, 1))
    return len(first) <= len(second)
