"""Units that stand once in a line: ahead of the pairs that are in them, or behind the last."""

import re
from collections.abc import Iterator
from itertools import pairwise

from looptime.length_groups import of_lengths, without_groups
from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.columns.lexicon import may_be_part, meaning, names_count, of_a_clock
from looptime.signal_names import names_reading, quantity_of
from looptime.units import word_unit

__all__ = ["in_list", "titled"]

_LETTERS = r"[a-zA-Z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]{1,14}"
_IN_BRACKETS = rf"[(\[]\s*+(?:all\s++)?(?:in\s++)?(?P<unit>{_LETTERS})\s*+[)\]]"
#: ``took(ms) gyro:``, ``times in us: gyro=``, ``ms {gyro=``: up to four words before a name.
_TITLE = re.compile(
    rf"(?P<words>(?<![\w.])(?:[^\W\d]\w*[ \t]+){{0,3}}[^\W\d]\w*)?"
    rf"[ \t]*+(?:{_IN_BRACKETS}\s*+[:=]?+\s*+|:\s++|[:=]?+\s*+[{{(\[]\s*+)(?=[^\W\d])"
)
#: Where the names of a title are over: a bracket, a bar, the end of a sentence, another title.
_OVER = re.compile(r"[|;)\]}]|\.\s|[^\W\d]:\s+(?=[^\W\d])")
_CLOSING = re.compile(rf"[\s)\]}}]*+{_IN_BRACKETS}\W*")


def titled(
    left: list[str], names: list[str | None], units: list[str | None], numbers: list[str]
) -> tuple[list[str | None], list[str | None]]:
    """Names and units of a line's numbers, also of those that share a title or a unit.

    Those behind a title become members of its group of lengths; a unit that stands by itself is
    that of the numbers which may be lengths. Readings are none, and nothing that has a unit of its
    own. A unit behind the last number is its alone where any before it is no length.

    Parameters
    ----------
    left : list of str
        Text before, between and after the numbers, without the units that follow them.
    names, units : list
        Of each number, as far as the words right around it tell.
    numbers : list of str
        As they are written.

    Examples
    --------
    >>> names, none = ["gyro", "enc", "volts"], [None] * 3
    >>> titled([" took(ms) gyro:", " enc:", " | volts:", ""], names, none, ["1.2", "0.4", "12.1"])
    (['took_ms.gyro', 'took_ms.enc', 'volts'], [None, None, None])
    >>> titled(["gyro=", " enc=", " (us)"], names[:2], none[:2], ["900", "410"])[1]
    ['us', 'us']
    >>> titled(["rows=", " took=", " (ms)"], ["rows", "took"], none[:2], ["9", "4.1"])[1]
    [None, 'ms']
    >>> titled([" gyro (ms) mean ", " max ", ""], ["mean", "max"], none[:2], ["1.2", "3.4"])[0]
    ['mean', 'max']
    """
    named, own = list(names), list(units)
    for at, piece in enumerate(left[:-1]):
        title = _title(piece)
        if title is None:
            continue
        for k in _members(left, names, at):
            if units[k] is None and names[k] and word_unit(title) != title:
                named[k] = f"{title}.{names[k]}"
            elif units[k] is None and _may_be_length(names[k]):
                own[k] = title
    closing = _CLOSING.fullmatch(left[-1]) if named == names and own == units else None
    if closing is not None and (unit := word_unit(closing["unit"])):
        for k in _closed(left, names, units, numbers):
            own[k] = unit
    return named, own


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
                return title if words else word_unit(title)
    return None


def _members(left: list[str], names: list[str | None], first: int) -> Iterator[int]:
    """Numbers from one on to where something ends them; else to a reading, and what they make up.

    A list that nothing ends goes on with what is no length of time; calls may be named for what
    they read, too, but none is named volts.
    """
    closed = any(_OVER.search(piece) for piece in left[first + 1 :])
    over = False
    for at in range(first, len(names)):
        if at > first and _OVER.search(left[at]):
            return
        said = meaning(names[at] or "")
        over = over or _is_reading(names[at] or "")
        if closed or (said != "signal" and (not over or said in ("whole", "busy"))):
            yield at


def _is_reading(name: str) -> bool:
    """Whether a name is that of a reading, and of no call: calls are named for headings, too."""
    return names_reading(name) and quantity_of(name) is None


def _may_be_length(name: str | None) -> bool:
    """Whether what a name says is no instant, no reading and no count."""
    if not name or names_count(name):
        return False
    said = meaning(name)
    return may_be_part(name) if said == "signal" else said not in ("clock", "counter", "group")


def _closed(
    left: list[str], names: list[str | None], units: list[str | None], numbers: list[str]
) -> list[int]:
    """The numbers whose unit is the one behind the last: this alone where others are no lengths.

    Before them all the line's stamp and the number of its loop may stand. Whole numbers beside
    broken ones are no lengths in their unit.
    """
    last = len(names) - 1
    ends = [at for at in range(1, len(names)) if _OVER.search(left[at])]
    every = [at for at in range(ends[-1] if ends else 0, len(names)) if units[at] is None]
    while every and _heads(names[every[0]], numbers[every[0]]):
        every.pop(0)
    broken = {_is_broken(numbers[at]) for at in every}
    alike = len(broken) < 2 and all(_may_be_length(names[at]) for at in every)
    return every if alike else [last] if _may_be_length(names[last]) else []


def in_list(
    left: list[str], names: list[str | None], units: list[str | None], numbers: list[str]
) -> list[str | None]:
    """Of each number that may be a length the unit behind the last of its list, its only one.

    Empty where a reading or a count stands in that list, too.

    Examples
    --------
    >>> names, none = ["imu", "arm", "drive"], [None] * 2
    >>> in_list(["[", "] imu=", " arm=", " drive=", " ms"], [None, *names], [None, *none, "ms"],
    ...         ["1.5", "0.9", "1.8", "5.2"])
    [None, 'ms', 'ms', None]
    >>> in_list(["volts=", " imu=", " arm=", ""], ["volts", *names[:2]], [*none, "ms"],
    ...         ["12.1", "0.9", "1.8"])
    [None, '', None]
    """
    made: list[str | None] = [None] * len(names)
    ends = [at for at in range(1, len(names)) if _OVER.search(left[at])]
    for first, after in pairwise([0, *ends, len(names)]):
        own = [at for at in range(first, after) if units[at] is not None]
        if len(own) != 1:
            continue
        before = list(range(first, own[0]))
        while before and _heads(names[before[0]], numbers[before[0]]):
            before.pop(0)
        may = [at for at in before if _may_be_length(names[at])]
        broken = {_is_broken(numbers[at]) for at in [*before, own[0]]}
        for at in may:
            made[at] = units[own[0]] if len(may) == len(before) and len(broken) == 1 else ""
    return made


def _is_broken(number: str) -> bool:
    return "." in number or "," in number


def _heads(name: str | None, number: str) -> bool:
    """Whether a number stands before the lengths of a line: its stamp, or which loop it is of."""
    return not name or _counts_or_stamps(name, number)


def _counts_or_stamps(name: str | None, number: str) -> bool:
    said = meaning(name or "")
    whole = number.isdecimal() and LOOP_WORD.search((name or "").lower()) is not None
    return said in ("clock", "counter") or whole
