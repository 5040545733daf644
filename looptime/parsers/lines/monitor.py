"""Lines with a host's stamp before each: a serial monitor's, a terminal's, or a logger's."""

import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from looptime.errors import LogError
from looptime.parsers.columns.evidence import clocklike
from looptime.parsers.lines.grid import is_text
from looptime.parsers.lines.shapes import CLOCK
from looptime.parsers.text.dialect import is_number, lines_of
from looptime.parsers.text.rewritten import Rewritten
from looptime.parsers.text.sniff import sniff
from looptime.parsers.text.source import Source, blocks

__all__ = ["HOST", "HOSTED", "split_host", "split_tag", "without_sender", "without_tag"]

#: Name of the column of the host's stamps.
HOST = "host time"
#: What is said where a log has a clock of its own.
HOSTED = "a host's stamp stands before each line: the device's own clock is used"
_SAMPLE = 400
_ARROWED = re.compile(
    rf"^\s*+\[?\s*+({CLOCK})\s*+\]?\s*+(?:->|=>|>>|>|\N{{RIGHTWARDS ARROW}})\s?(.*)$"
)
_FRAMED = re.compile(rf"^\s*[\[(]\s*+({CLOCK})\s*[\])]\s*+:?\s?(.*)$")


def split_host(lines: list[str]) -> tuple[list[str], list[str]] | None:
    """The host's stamp of each line and what follows it; None where most lines have none.

    Examples
    --------
    >>> split_host(["10:00:00.812 -> 812,9", "10:00:00.852 -> 852,2", "10:00:00.9 -> up", "up"])
    (['10:00:00.812', '10:00:00.852', '10:00:00.9', ''], ['812,9', '852,2', 'up', 'up'])
    """
    sample = [line for line in lines[:_SAMPLE] if is_text(line)]
    for pattern in (_ARROWED, _FRAMED):
        found = [m for line in sample if (m := pattern.match(line))]
        rows = [m for m in found if any(c.isdecimal() for c in m[2])]
        if len(found) < 0.7 * len(sample) or len(rows) < 2:
            continue
        stamps, rest = [], []
        for line in lines:
            match = pattern.match(line)
            stamps.append(match[1].strip() if match else "")
            rest.append(match[2] if match else line)
        return stamps, rest
    return None


#: A stamp, framed or not, and what parts it from the rest.
_STAMPED = re.compile(rf"^\s*+[\[(]?({CLOCK})[\])]?[\s,;|]++")
#: Letters of a line in which a tag and what follows it are looked for.
_LONGEST = 400
#: Where a tag may end: behind a mark, not within a number.
_TAG_ENDS = re.compile(r"[:>\])|;-]\s?")
#: A logger's level, after at most a name, and what sets it off from the rest.
_LEVEL = re.compile(
    r"[\[(<]?(?:[^\W\d][\w.]*[\])>:]*\s+[\[(<]?)?"
    r"(?:DEBUG|INFO|NOTICE|WARN(?:ING)?)\b[\])>:|\s]+",
    re.IGNORECASE,
)
#: What a tag is made of, and what lines tell that are no bare value or two with their units.
_BARE_WORDS = re.compile(r"(?:\[[^\]\d]*[^\W\d][^\]]*\]|[^\d\"'{}=,])*")
_TELLS = re.compile(r"(?<!\w)(?<!\d )[^\W\d]{2}|\d[^\d.]+\d.*?\d[^\d.]+\d")
#: Lines behind the first with a tag among which the header is looked for.
_HEADER_WITHIN = 40


def split_tag(lines: list[str]) -> tuple[list[str], list[str]] | None:
    """The stamp, if any, and the rest of lines that a logger's tag stands before, all the same one.

    None where what follows is no table with a header and no level of a logger's is among the words:
    words that come in each line may name its value.

    Examples
    --------
    >>> split_tag(["INFO cart: t_ms,imu_ms", "INFO cart: 0,2", "INFO cart: 9,3", "INFO cart: 21,2"])
    (['', '', '', ''], ['t_ms,imu_ms', '0,2', '9,3', '21,2'])
    >>> split_tag(["09:00:01 [io] t,a", "09:00:02 [io] 0,2", "09:00:03 [io] 9,3", "bye"])
    (['09:00:01', '09:00:02', '09:00:03', ''], ['t,a', '0,2', '9,3', 'bye'])
    >>> split_tag(["[INFO] cart: 7 begin imu", "[INFO] cart: 9 end imu"])
    (['', ''], ['7 begin imu', '9 end imu'])
    >>> split_tag(["imu: 2, 3", "imu: 2, 2", "imu: 4, 3", "imu: 2, 9"]) is None
    True
    """
    first = [pair for pair in map(_unstamped, lines[:_SAMPLE]) if is_text(pair[1])]
    shown = [body for _, body in first]
    tag = next(_tags(shown), None)
    if not tag and not any(stamp for stamp, _ in first):
        tag = next(_levelled(shown), tag)
    if tag is None:  # as of most logs: no other line need be taken apart
        return None
    stamps, bodies = zip(*map(_unstamped, lines), strict=True)
    if not (tag or sum(map(bool, stamps)) > 0.7 * len(shown)):
        return None
    mine = [body.startswith(tag) for body in bodies]
    rest = [
        body[len(tag) :] if own else line
        for line, body, own in zip(lines, bodies, mine, strict=True)
    ]
    return [one if own else "" for one, own in zip(stamps, mine, strict=True)], rest


def _unstamped(line: str) -> tuple[str, str]:
    """The stamp that a line begins with, or none, and what follows it."""
    stamp = _STAMPED.match(line)
    return (stamp[1].strip(), line[stamp.end() :]) if stamp else ("", line)


def without_tag(source: Source, text: str) -> tuple[Source, str]:
    """A log and its first lines without a logger's tag, where a table with its own clock follows.

    A table without one is left as it is: the logger's stamps are its clock.
    """
    first = split_tag(lines_of(text, _SAMPLE))
    if first is None or (any(first[0]) and not _keeps_time(first[1], source.path)):
        return source, text
    every = b"".join(bytes(block.data) for block in blocks(source)).decode("utf-8", "replace")
    told = split_tag([line.rstrip("\r") for line in every.split("\n")])
    if told is None:
        return source, text
    source.cautions.extend([HOSTED] if any(told[0]) else [])
    rest, none = "\n".join(told[1]), np.empty(0, np.int64)
    made = replace(source, rewritten=Rewritten(rest.encode(), none, none, []))
    return made, rest[: len(text)].rpartition("\n")[0] + "\n"


def _keeps_time(rows: list[str], path: str) -> bool:
    """Whether a column of a table may be its clock."""
    try:
        like = sniff("\n".join(rows), path)
    except LogError:
        return False
    return any(clocklike(like, at) for at in range(like.fields))


def _tags(bodies: list[str]) -> Iterator[str]:
    """What most lines begin with, the longest first, behind which a header and rows follow."""
    if len(bodies) < 3:
        return
    usual = bodies[len(bodies) // 2][:_LONGEST]
    ends = [found.end() for found in _TAG_ENDS.finditer(usual)]
    for end in (*reversed(ends), 0):
        rows = [body[end:] for body in bodies if body.startswith(usual[:end])]
        if len(rows) >= 0.7 * len(bodies) and _headed(rows):
            yield usual[:end]


def _levelled(bodies: list[str]) -> Iterator[str]:
    """What nearly all lines begin with that names a logger's level, the longest first.

    More than a number or two must follow names: those may be the values of what they name.
    """
    usual = bodies[len(bodies) // 2][:_LONGEST] if bodies else ""
    level = _LEVEL.match(usual)
    if level is None:
        return
    words = _BARE_WORDS.match(usual)
    least, last = level.end(), words.end() if words else 0
    if "|" in usual[least:]:  # it parts the first cell as it does the others
        last = min(last, usual.index("|"))
        least = min(least, last)
    ends = [found.end() for found in _TAG_ENDS.finditer(usual, least, last)]
    for end in (*reversed(ends), least):
        rows = [body[end:_LONGEST] for body in bodies if body.startswith(usual[:end])]
        told = sum(bool(_TELLS.search(row)) for row in rows) >= 0.7 * len(rows)
        if len(rows) >= 0.95 * len(bodies) and (told or end == least):
            yield usual[:end]


def _headed(rows: list[str]) -> bool:
    """Whether names without a number stand before rows of as many cells, mostly numbers."""
    for mark in ",;\t|":
        cells = [[cell.strip(' "') for cell in row.split(mark)] for row in rows]
        point = "." if mark == "," else ","  # which a number need not have
        numbers = [sum(is_number(cell) or is_number(cell, point) for cell in row) for row in cells]
        for at in range(min(_HEADER_WITHIN, len(rows) - 2)):
            below = [len(cells[k]) == len(cells[at]) and numbers[k] > 0 for k in (at + 1, at + 2)]
            if len(cells[at]) > 1 and not numbers[at] and all(cells[at]) and all(below):
                return True
    return False


#: A day without its year, the time of day, who sent the line, and what it says.
_SENT = re.compile(
    r"^(?:<\d+>)?(?:[^\W\d_]{3,4}\.? +\d{1,2}|\d{1,2}\.? +[^\W\d_]{3,4}\.?),? +"
    r"(\d\d:\d\d:\d\d(?:[.,]\d+)?) +(?:[\w.-]+ +)?([\w./-]+?)(?:\[\d+\])?: (.*)$"
)
#: The number of a line or of its loop.
_NUMBERED = re.compile(r"^\s*#(?=\d)")


def without_sender(lines: list[str]) -> list[str]:
    """Lines of a system's journal as time of day and text; others as they are.

    A day without a year is left out, since times of day that go back tell the next one; the name
    of the program stays where several write. Where nearly all lines begin with ``#12``, that is no
    remark but their loop's number.

    Examples
    --------
    >>> without_sender(["Mar  4 10:00:01.5 cart ctl[41]: begin scan", "4 Mar 10:00:02 cart ctl: x"])
    ['10:00:01.5 begin scan', '10:00:02 x']
    >>> without_sender(["#7 imu=9", "#8 imu=8"]), without_sender(["#7 imu=9", "imu=8"])
    (['loop 7 imu=9', 'loop 8 imu=8'], ['#7 imu=9', 'imu=8'])
    """
    some = [line for line in lines[:_SAMPLE] if line.strip()]
    if sum(bool(_NUMBERED.match(line)) for line in some) >= 0.9 * len(some):
        return [_NUMBERED.sub("loop ", line) for line in lines]
    found = [_SENT.match(line) for line in lines[:_SAMPLE]]
    programs = {one[2] for one in found if one}
    if not programs or sum(map(bool, found)) < 0.7 * sum(map(is_text, lines[:_SAMPLE])):
        return lines
    kept = r"\1 \3" if len(programs) == 1 else r"\1 \2: \3"
    return [_SENT.sub(kept, line) for line in lines]
