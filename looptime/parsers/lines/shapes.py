"""A line of text taken apart: its numbers, and what the words around them call each."""

import re
from dataclasses import replace

from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.lines.brackets import own_units, unwrapped
from looptime.parsers.lines.titled import in_list, titled
from looptime.records import dataclass
from looptime.units import word_unit

__all__ = ["CLOCK", "LEVELS", "Sentence", "Shapes", "clean", "plan"]

#: A date with a time of day, or a time of day alone.
CLOCK = (
    r"(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}[T ])?\d{1,2}:\d\d(?::\d\d)?(?:[.,]\d+)?"
    r"(?: ?[AaPp][Mm]\b)?(?: ?[+-]\d\d:?\d\d\b|Z\b)?"
)
_NUMBER = r"[+-]?(?:\d+(?:{point}\d+)?|\.\d+)(?:[eE][+-]?\d+)?(?!\.\d)(?=[^\W\d_]{{0,12}}(?!\w))"
#: How grave a message is, and other words that call nothing by its name.
LEVELS = frozenset(
    ("info", "warn", "warning", "error", "err", "debug", "trace", "notice", "fatal", "critical",
     "verbose", "log", "i", "w", "e", "d", "v")
)  # fmt: skip
_FILLERS = frozenset(
    ("it", "this", "that", "took", "takes", "taken", "in", "is", "was", "of", "at", "for",
     "lasted", "lasts", "needed", "needs", "within",
     "after", "the", "a", "an", "and", "with", "has", "had", "by", "on", "to",
     "=", ":", "~", "ca", "about", "value", "spent", "used", "done", "finished", "completed", "no",
     "number", "nr", "#", "->", "=>", "+")
)  # fmt: skip
#: What parts the words that belong to one number from those that belong to another.
_APART = re.compile(r"[,;|()\[\]{}<>\t]|:(?=\s+\S*[^\s=:])|\s[-\u2013\u2014>]+\s|\.\s")
_CLOSED = re.compile(r"[)\]}]")
_PAIR = re.compile(r"(?<![\w.])([A-Za-z_][\w.]*)\s*=\s*\"?([A-Za-z][\w./-]*)\"?(?=[\s,;|)\]}]|$)")
#: A line that is a key and the word it holds.
_LONE = re.compile(
    r"\s*[\"']?([A-Za-z_][\w.]*)[\"']?\s*[=:]\s*[\"']?([A-Za-z][\w./-]*)[\"']?\s*(?:,\s*)?"
)
_LETTERS = r"[a-zA-Z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]+"
_UNIT = re.compile(rf"\s?({_LETTERS})(?!\w)")
#: Nothing but the key of the number that follows.
_ALONE = re.compile(r"[\s,;]*([A-Za-z]\w+)\s*=\s*")
#: The key of the next number, and no unit of the one before: ``T:1218 S:4``.
_KEY = re.compile(r"\s+[A-Za-z]+[:=]")
_AT = re.compile(r"(?:\bat|@)(?: time| t)?\s*[=:]?$", re.IGNORECASE)
_TOOK = re.compile(r"took|takes|in|time|lasted|needed|:|=", re.IGNORECASE)
_WORD = re.compile(r"[^\s=:\"']+")
#: The unit of a sum, before the name of what comes first in it.
_OF_SUM = re.compile(rf"(?P<space>\s?)(?P<unit>{_LETTERS})(?P<mark>\s*=\s*)(?=[^\W\d])")
#: What was waited for behind how long, and who held it.
_AWAITED = re.compile(
    r"^\s*(?:(?:for|on|by|until)\b|.*\b(?:held|owned|taken|locked|holder|owner)\b)", re.IGNORECASE
)
_WAITED = re.compile(
    r"wait|(?<![^\W_])(?:b?lock|mutex)|stall|acquir|semaphore|contend", re.IGNORECASE
)
#: Words of a wait's name.
_LONGEST = 10
_BARE = re.compile(r"[^\w./ -]+")
_MARK = "\0"
#: A pattern of more groups takes the square of their number for a line.
_MOST_EXPECTED = 200


@dataclass(frozen=True)
class Sentence:
    """What the numbers of lines of one shape are called."""

    names: tuple[str | None, ...]  #: Of each number; None where no word calls it anything
    units: tuple[str | None, ...]  #: Time unit that follows each number
    words: dict[str, str]  #: Pairs whose value is a word
    marks: int  #: Numbers whose name is set off by ``=`` or ``:``, or that have a time unit
    text: str  #: The words of the line without its numbers
    #: Of each number the unit behind the last of its list; empty where some of that is no length.
    listed: tuple[str | None, ...] = ()


class Shapes:
    """Lines sorted by what is left of them without their numbers.

    Parameters
    ----------
    comma : bool
        Whether numbers have a decimal comma.

    Examples
    --------
    >>> shapes = Shapes()
    >>> found, numbers = shapes.read("[robot] loop 7: gyro 1.07 ms, drive took 3.10ms")
    >>> found.names, found.units, numbers
    (('loop', 'gyro', 'drive'), (None, 'ms', 'ms'), ['7', '1.07', '3.10'])
    >>> shapes.read("t=812, imu=9, mode=auto")[0].words
    {'mode': 'auto'}
    """

    #: Shapes kept; a log with more has no shapes to speak of.
    MOST = 5000

    def __init__(self, comma: bool = False) -> None:
        self.comma = comma
        number = _NUMBER.format(point="," if comma else r"\.")
        self._token = re.compile(rf"(?<![\w.])(?:{CLOCK}(?![\w:])|{number})")
        self._known: dict[str, Sentence] = {}
        self._usual: list[tuple[re.Pattern[str], Sentence]] = []

    def read(self, line: str) -> tuple[Sentence, list[str]]:
        """What a line says, and its numbers as text."""
        for pattern, sentence in self._usual:
            found = pattern.fullmatch(line)
            if found is not None:
                return sentence, list(found.groups())
        numbers = self._token.findall(line)
        shape = self.shape(line)
        known = self._known.get(shape)
        if known is None:
            known = plan(shape.split(_MARK), numbers)
            if len(self._known) < self.MOST:
                self._known[shape] = known
        return known, numbers

    def shape(self, line: str) -> str:
        """A line with a mark in place of each number."""
        return self._token.sub(_MARK, line)

    def call(self, line: str, names: tuple[str | None, ...]) -> None:
        """Call the numbers of all lines of this shape by names that are set off as such."""
        sentence, _ = self.read(line)
        self._known[self.shape(line)] = replace(sentence, names=names, marks=1)

    def belongs(self, line: str, whose: str) -> None:
        """Put whose they are before the names of the lengths in all lines of this shape."""
        sentence, _ = self.read(line)
        names = tuple(
            f"{whose} {name}" if name and unit else name
            for name, unit in zip(sentence.names, sentence.units, strict=True)
        )
        self._known[self.shape(line)] = replace(sentence, names=names)

    def expect(self, line: str) -> None:
        """Look first whether a line is written just as this one is."""
        sentence, numbers = self.read(line)
        if len(numbers) > _MOST_EXPECTED:
            return
        point = "," if self.comma else r"\."
        plain = rf"[+-]?(?:\d+(?:{point}\d+)?|\.\d+)(?:[eE][+-]?\d+)?"
        pieces = [re.escape(piece) for piece in self.shape(line).split(_MARK)]
        kinds = [CLOCK if ":" in number else plain for number in numbers]
        pattern = pieces[0] + "".join(
            f"({kind}){piece}" for kind, piece in zip(kinds, pieces[1:], strict=True)
        )
        self._usual.append((re.compile(pattern), sentence))


def clean(name: str) -> str:
    """A name without what only frames it.

    Examples
    --------
    >>> clean(' "imu read": ')
    'imu read'
    """
    return name.strip(" \t\"'=:-_#.").lstrip("+").replace(";", ",")


def plan(pieces: list[str], numbers: list[str]) -> Sentence:
    """Name the numbers of a line by the words around them.

    Parameters
    ----------
    pieces : list of str
        Text before, between and after the numbers: one more than there are numbers.
    numbers : list of str
        As they are written.

    Examples
    --------
    >>> plan(["", " ms for gyro, ", " ms for drive"], ["1.07", "3.1"]).names
    ('gyro', 'drive')
    """
    lone = None if numbers else _LONE.fullmatch(pieces[0])
    if lone is not None and lone[1].lower() not in LEVELS:
        return Sentence((), (), {lone[1]: lone[2]}, 0, "")
    words: dict[str, str] = {}
    left = []
    first, *others = unwrapped(pieces)
    for piece in (first, *map(_without_equals, others)):
        words.update(_PAIR.findall(piece))
        left.append(_PAIR.sub(",", piece.replace("()", "")))
    left, own = own_units(left, numbers)
    units: list[str | None] = []
    shares: set[int] = set()
    marks = len(own)
    for at in range(1, len(left)):
        found = _UNIT.match(left[at])
        key = at < len(numbers) and _KEY.fullmatch(left[at]) is not None
        unit = word_unit(found[1]) if found and not key else None
        units.append(unit or word_unit(own.get(at - 1, "")))
        if found and unit:
            left[at] = left[at][found.end() :]
            marks += at > 1 or _before(left[0], first=True) is not None  # a stamp's says nothing
        elif at < len(left) and left[at][:1] in ("%", "\N{DEGREE SIGN}"):
            shares |= {at - 1} if left[at][0] == "%" else set()
            left[at] = left[at][1:]
    listed = _listed(left)
    names: list[str | None] = []
    for at in range(len(numbers)):
        if at in listed:
            names.append(listed[at])
            continue
        before = left[at]
        marks += before.rstrip()[-1:] in ("=", ":") and bool(clean(before))
        name = _before(before, first=at == 0)
        if name is None and at and units[at] and names[-1] and _TOOK.search(before):
            whose = next((n for n in reversed(names) if n != "time"), None)
            name = f"{whose or names[-1]} time"  # loop 12 took 4.2 ms, loop 12 @ 3 s: 4.2 ms
        if name is None and at and units[at] and not before.strip(" ,-") and not units[at - 1]:
            counted = names[-1] or ""
            name = f"{counted} time" if LOOP_WORD.search(counted.lower()) else None  # loop 12 4 ms
        if name is None and units[at] and at and (pairs := _PAIR.findall(pieces[at])):
            name = f"{pairs[-1][0]} time"  # slowest=drive (8.4 ms)
        if name is None and at and units[at] and not units[at - 1] and before.strip() == "(":
            name = f"{names[-1]} time" if names[-1] else None  # loop 12 (4.2 ms)
        if name is None and at in shares and before.strip() == "(" and names[-1]:
            name = f"{names[-1]} share"  # gyro 2.1 ms (14 %)
        if name is None and at and (units[at - 1] or not units[at]):
            name = _key_alone(left[at - 1 : at + 1])
        if name and at in own and not units[at]:
            name = f"{name} ({own[at]})"
        names.append(name)
    named_after = [
        name or (_after(left[at + 1]) if units[at] else None) for at, name in enumerate(names)
    ]
    if sum(name is None for name in names) > 0.5 * len(names):
        names = named_after
    names, units = titled(left, names, units, numbers)
    if numbers and names[-1] and units[-1] and _WAITED.search(pieces[-2]):
        names[-1] = _awaited(names[-1], left[-1])
    text = " ".join(_WORD.findall(" ".join(left)))
    may_be_in = tuple(in_list(left, names, units, numbers))
    return Sentence(tuple(_distinct(names)), tuple(units), words, marks, text, may_be_in)


def _without_equals(piece: str) -> str:
    """The text behind a number whose unit is no key, where a sum follows: ``14.2 ms = gyro 2.4``.

    Examples
    --------
    >>> _without_equals(" ms = gyro "), _without_equals("ms=gyro "), _without_equals(" s=auto x=")
    (' ms : gyro ', ' ms : gyro ', ' s=auto x=')
    """
    found = _OF_SUM.match(piece)
    if found is None or word_unit(unit := found["unit"]) is None:
        return piece
    key = found["space"] and found["mark"] == "=" and len(unit) == 1  # t=5 s=auto
    return piece if key else f" {unit} : {piece[found.end() :]}"


def _awaited(name: str, rest: str) -> str:
    """The name of a wait with what it was for and who held that, where the line goes on so.

    Examples
    --------
    >>> _awaited("waited", " for lock 'can' held by [vision]"), _awaited("waited", " in all")
    ('waited for lock can held by vision', 'waited')
    """
    if _AWAITED.search(rest) is None:
        return name
    return clean(" ".join([name, *_BARE.sub(" ", rest).split()][:_LONGEST]))


def _listed(left: list[str]) -> dict[int, str]:
    """Numbers in brackets or of a sum whose names follow them: ``(31 gyro / 52 drive)``.

    Examples
    --------
    >>> sorted(_listed(["loop ", ": (", " gyro / ", " drive)"]).items())
    [(1, 'gyro'), (2, 'drive')]
    >>> sorted(_listed(["loop ", " : ", " = ", " gyro + ", " drive"]).items())
    [(2, 'gyro'), (3, 'drive')]
    >>> _listed(["loop ", ": (gyro ", " / drive ", ")"])
    {}
    """
    made: dict[int, str] = {}
    opens = [piece.rstrip()[-1:] in ("(", "[", "{") or (at > 0 and piece.strip() == "=")
             for at, piece in enumerate(left[:-1])]  # fmt: skip
    if not any(opens):
        return made
    end, copied, whole = 0, 0, True
    names: list[str] = []  # of the numbers from here to where a bracket closes, the last first
    for at in reversed(range(len(left) - 1)):
        inside = _CLOSED.split(left[at + 1])[0]
        if inside != left[at + 1] or not names:
            end, copied, names, whole = at, 0, [], True
        names.append(_after(inside) or "")
        whole = whole and bool(names[-1])
        if opens[at] and whole and len(names) > 1:
            made |= {end - k: names[k] for k in range(copied, len(names))}
            copied = len(names)
    return made


def _before(piece: str, first: bool) -> str | None:
    """What the words before a number call it."""
    bare = piece.rstrip()
    if _AT.search(bare):
        return "time"
    if bare[-1:] == "#" and not any(c.isalpha() for c in bare):
        return "loop"
    glued = bare[-1:] == "="
    if bare[-1:] in ("=", ":"):
        bare = bare[:-1]
    segment = _APART.split(bare)[-1]
    every = _WORD.findall(segment)
    words = [w for w in every if w.lower() not in LEVELS | _FILLERS]
    if not words and len(every) == 1 and (glued or not first):
        calls_it = every[0].lower() in LEVELS or (len(every[0]) == 1 and every[0].isalpha())
        words = every if calls_it else []  # no level, and no article
    if not words or not any(c.isalpha() for word in words for c in word):
        return None
    if glued and first:  # what stands before the first pair is no part of its key
        words = words[-1:]
    return clean(" ".join(words)) or None


def _key_alone(pieces: list[str]) -> str | None:
    """The key of a pair behind another pair, also a word that calls nothing in a sentence.

    Examples
    --------
    >>> _key_alone([" off=", " took="]), _key_alone([" drive ", " took="])
    ('took', None)
    """
    found = _ALONE.fullmatch(pieces[1])
    return found[1] if found and pieces[0].rstrip()[-1:] == "=" else None


def _after(piece: str) -> str | None:
    """What the words after a number call it."""
    segment = _APART.split(piece)[0]
    words = [w for w in _WORD.findall(segment) if w.lower() not in _FILLERS and w not in "/+&"]
    return clean(" ".join(words)) or None if any(c.isalpha() for c in segment) else None


def _distinct(names: list[str | None]) -> list[str | None]:
    """Names of which no two are the same."""
    seen: dict[str, int] = {}
    made: list[str | None] = []
    for name in names:
        if name is None:
            made.append(None)
            continue
        seen[name] = seen.get(name, 0) + 1
        made.append(name if seen[name] == 1 else f"{name} {seen[name]}")
    return made
