"""Lines of several threads among each other, each with the name of its thread before its words."""

import re
from collections import Counter
from collections.abc import Sequence

from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.events import Event
from looptime.parsers.lines.grid import is_text
from looptime.parsers.lines.shapes import CLOCK, LEVELS

__all__ = ["apart", "cross", "loops_each", "of_the_loop", "tags_of"]

_NUMBER = r"[+-]?\d+(?:[.,]\d+)?\s?(?:[mun\N{MICRO SIGN}]?s\b)?"
_STAMP = re.compile(rf"^\s*[\[(<]?\s*(?:{CLOCK}|{_NUMBER})\s*[\])>]?[\s:,|-]*")
_LEVELS = "|".join(sorted(LEVELS, key=len, reverse=True))
_LEVEL = re.compile(rf"^[\[(<]?(?:{_LEVELS})[\])>]?[\s:|-]+", re.IGNORECASE)
_WORD = r"([A-Za-z][\w .#-]*?)"
_TAG = re.compile(
    rf"^(?:\[\s*{_WORD}\s*\]|\(\s*{_WORD}\s*\)|<\s*{_WORD}\s*>"
    r"|([A-Za-z][\w.#-]*)(?=\s*(?::|\||\s-)\s))[\s:|-]*"
)
#: Lines that must have a tag, tags that a log has at most, and pairs that must cross.
_MOST_TAGGED, _MOST_TAGS, _CROSSING = 0.95, 16, 3
_LOOP = re.compile(r"\b(loop|cycle|iteration|frame|tick)\b", re.IGNORECASE)
#: Words for the length of a loop.
_LENGTH = re.compile(r"\b(?:loop|cycle|iteration|frame|tick|dt|period)\b", re.IGNORECASE)
_MAIN = re.compile(r"^(main|loop|control|robot)", re.IGNORECASE)


def tags_of(lines: Sequence[str]) -> list[str] | None:
    """The tag of every line, "" where it has none; None where the lines are not tagged.

    A tag stands behind the stamp and how grave the message is, in brackets, or before a colon,
    a bar or a dash.

    Examples
    --------
    >>> tags_of(["1.5 [main] loop 1", "1.6 [imu] poll took 3 ms", "1.9 [main] loop 2"])
    ['main', 'imu', 'main']
    >>> tags_of(["10:00:01.5 INFO main - loop 1", "10:00:01.6 WARN imu - late"])
    ['main', 'imu']
    >>> tags_of(["1.5 loop 1", "1.9 loop 2"]) is None
    True
    """
    found = [_split(line)[0] for line in lines]
    texts = sum(map(is_text, lines))
    tagged = Counter(tag for tag in found if tag)
    if sum(tagged.values()) < _MOST_TAGGED * texts or not 1 < len(tagged) <= _MOST_TAGS:
        return None
    return found


def _split(line: str) -> tuple[str, str]:
    """The tag of a line and what stands behind it."""
    stamp = _STAMP.match(line)
    rest = line[stamp.end() :] if stamp else line
    rest = _LEVEL.sub("", rest, count=1)
    tag = _TAG.match(rest) if stamp else None
    return ("", rest) if tag is None else (next(g for g in tag.groups() if g), rest[tag.end() :])


def of_the_loop(lines: Sequence[str], tags: Sequence[str]) -> str:
    """The tag of the loop: it alone speaks of one, else is called so, else comes first.

    Examples
    --------
    >>> lines = ["1 [imu] poll", "2 [main] loop 1", "3 [main] gyro 2 ms"]
    >>> of_the_loop(lines, tags_of(lines))
    'main'
    """
    spoken = Counter(
        tag for line, tag in zip(lines, tags, strict=True) if tag and _LOOP.search(_split(line)[1])
    )
    if len(spoken) == 1 or (spoken and not any(map(_MAIN.match, spoken))):
        return spoken.most_common(1)[0][0]
    names = list(dict.fromkeys(tag for tag in tags if tag))
    return next((name for name in names if _MAIN.match(name)), names[0])


def loops_each(lines: Sequence[str], tags: Sequence[str]) -> bool:
    """Whether nearly every line gives the length of a loop, of one tag or of another.

    Examples
    --------
    >>> lines = ["1 [main] loop took 9 ms", "2 [odo] loop took 3 ms", "3 [main] loop took 8 ms"]
    >>> loops_each(lines, tags_of(lines))
    True
    """
    spoken = [bool(_LENGTH.search(_split(line)[1])) for line, tag in zip(lines, tags, strict=True)
              if tag]  # fmt: skip
    return sum(spoken) >= _MOST_TAGGED * max(len(spoken), 1)


def apart(lines: Sequence[str], tags: Sequence[str], own: str) -> list[str]:
    """The lines of one tag without it; others are empty, lines without a tag stay."""
    kept = []
    for line, tag in zip(lines, tags, strict=True):
        rest = _split(line)[1] if tag == own else ""
        head = line[: len(line) - len(rest)]
        stamp = _STAMP.match(head)
        mine = (stamp[0] if stamp else "") + rest
        kept.append(mine if tag == own else "" if tag else line)
    return kept


def cross(events: Sequence[Event], tags: Sequence[str]) -> bool:
    """Whether calls of different tags begin and end across each other, as one thread's cannot."""
    begun: dict[tuple[str, str], int] = {}
    crossing = 0
    for at, event in enumerate(events):
        tag = tags[event.line]
        if event.side == BEGIN:
            begun[tag, event.name] = at
        elif event.side == END:
            since = begun.pop((tag, event.name), None)
            if since is not None:
                crossing += any(at > since and key[0] != tag for key, at in begun.items())
    return crossing >= _CROSSING
