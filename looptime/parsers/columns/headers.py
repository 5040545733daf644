"""Column headers: which column plays which part, through one table of spellings a layout."""

import re
from collections.abc import Mapping

from looptime.length_groups import of_lengths
from looptime.records import dataclass
from looptime.units import split_unit, word_unit

__all__ = ["LOOP_WORD", "Head", "heads", "is_bare_unit", "named_unit", "roles"]

#: Units that may stand alone as a header; an "s" alone says too little.
_BARE = (
    "ns", "us", "\N{MICRO SIGN}s", "\N{GREEK SMALL LETTER MU}s", "ms", "sec", "secs", "seconds",
    "milliseconds", "microseconds", "nanoseconds", "nsec", "usec", "msec", "nsecs", "usecs",
    "msecs",
)  # fmt: skip
#: A call named so is the loop itself.
LOOP_WORD = re.compile(r"(^|[^a-z])(main)?[ _]?(loop|cycle|iteration)$")
_SQUEEZE = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True)
class Head:
    """One column header."""

    index: int  #: Place in the row, from 0
    text: str  #: As it stands in the log
    word: str  #: Lower case, without unit, blanks and punctuation
    unit: str | None  #: Time unit that the header names


def heads(header: tuple[str, ...]) -> list[Head]:
    """Take headers apart.

    Examples
    --------
    >>> [(h.word, h.unit) for h in heads(("Start [us]", "Call name"))]
    [('start', 'us'), ('callname', None)]
    """
    found = []
    for index, text in enumerate(header):
        if not text.strip():  # a column that nobody named is nobody's
            continue
        word = _SQUEEZE.sub("", split_unit(text)[0].lower())
        word = word or _SQUEEZE.sub("", text.lower())
        found.append(Head(index, text, word, named_unit(text)))
    return found


def named_unit(text: str) -> str | None:
    """The unit of time that a header names, or is: a column called "ms" says no more.

    That of a group of lengths holds for its members.

    Examples
    --------
    >>> named_unit("gyro_us"), named_unit(" ms"), named_unit("gyro"), named_unit("took_us.gyro")
    ('us', 'ms', None, 'us')
    """
    own = split_unit(text)[1] or (word_unit(text) if is_bare_unit(text) else None)
    member = None if own else of_lengths(text)
    return own if member is None else member[1]


def is_bare_unit(text: str) -> bool:
    """Whether a header names a unit of time and nothing else.

    Examples
    --------
    >>> is_bare_unit(" ms"), is_bare_unit("[us]"), is_bare_unit("gyro_ms")
    (True, True, False)
    """
    return text.strip(" []()").lower() in _BARE


def roles(found: list[Head], spellings: Mapping[str, tuple[str, ...]]) -> dict[str, Head]:
    """Give each role the column whose header is spelt best for it.

    A role's spellings are in order of preference; a column plays one role only.

    Examples
    --------
    >>> given = roles(heads(("t_us", "name")), {"time": ("time", "t"), "name": ("name",)})
    >>> {role: head.index for role, head in given.items()}
    {'time': 0, 'name': 1}
    """
    by_word: dict[str, Head] = {}
    for head in found:
        by_word.setdefault(head.word, head)
    taken: set[int] = set()
    given: dict[str, Head] = {}
    for role, words in spellings.items():
        for word in words:
            named = by_word.get(word)
            if named is not None and named.index not in taken:
                given[role] = named
                taken.add(named.index)
                break
    return given
