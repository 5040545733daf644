"""Lines of several threads among each other, each with the name of its thread before its words."""

import math
import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.event_calls import calls_of
from looptime.parsers.lines.events import Event, read_events
from looptime.parsers.lines.grid import Grid, is_text
from looptime.parsers.lines.shapes import CLOCK, LEVELS
from looptime.units import UNITS

__all__ = [
    "apart", "calls_by_thread", "cross", "lengths_by_thread", "loops_each", "of_the_loop",
    "tags_of",
]  # fmt: skip

_NUMBER = r"[+-]?\d+(?:[.,]\d+)?\s?(?:[mun\N{MICRO SIGN}]?s\b)?"
_NUMBER_ALONE = re.compile(r"\d+(?:\.\d+)?")
_STAMP = re.compile(rf"^\s*(?:[\[(<]\s*)?(?:{CLOCK}|{_NUMBER})\s*[\])>]?(?:[\s:,|]|-(?!\w))*")
_LEVELS = "|".join(sorted(LEVELS, key=len, reverse=True))
_LEVEL = re.compile(rf"^[\[(<]?(?:{_LEVELS})[\])>]?[\s:|-]+", re.IGNORECASE)
_WORD = r"([A-Za-z][\w .#-]{0,80}?)"  # without end, a line of blanks takes the square of its length
_TAG = re.compile(
    rf"^(?:\[\s*{_WORD}\s*\]|\(\s*{_WORD}\s*\)|<\s*{_WORD}\s*>"
    r"|([A-Za-z][\w.#-]*)(?=\s*(?::|\||\s-)\s))(?:[\s:|]|-(?!\w))*"
)
#: A tag before the stamp, in brackets or behind a letter for how grave the message is.
_AHEAD = re.compile(
    rf"^\s*(?:\[\s*{_WORD}\s*\]|\(\s*{_WORD}\s*\)|<\s*{_WORD}\s*>|[VDIWE]/{_WORD}:)\s*(?=\S*\d)"
)
#: Lines that must have a tag, tags that a log has at most, and pairs that must cross.
_MOST_TAGGED, _MOST_TAGS, _CROSSING = 0.95, 16, 3
_LOOP = re.compile(r"\b(loop|cycle|iteration|frame|tick)\b", re.IGNORECASE)
#: Words for the length of a loop.
_LENGTH = re.compile(r"\b(?:loop|cycle|iteration|frame|tick|dt|period)\b", re.IGNORECASE)
#: A name and how long it took, and nothing else; two tags whose calls overlap are two threads.
_TOOK = re.compile(
    r"^(?P<name>[A-Za-z][\w./-]*)[\s:=]+"
    r"(?:(?:(?:was\s+)?[a-z]+[\s:=]+)?(?:took|lasted|duration|dur|elapsed|in|after)[\s:=]+)?"
    r"(?P<took>\d+(?:[.,]\d+)?)\s*(?P<unit>[mun\N{MICRO SIGN}]?s)\s*$"
)
_OF_DAY = re.compile(r"(?<!\d)(\d+):(\d\d):(\d\d(?:[.,]\d+)?)")
_OVERLAPS = 20
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
    >>> tags_of(["[main] 1.5 loop 1", "[imu] 1.6 poll"]), tags_of(["I/odo: t=2 a", "D/main: t=3 b"])
    (['main', 'imu'], ['odo', 'main'])
    >>> tags_of(["1.5 loop 1", "1.9 loop 2"]) is tags_of(["[INFO] 1.5 a", "[WARN] 1.6 b"]) is None
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
    ahead = _AHEAD.match(line)
    if ahead is not None and not _LEVEL.match(line.lstrip()):
        return next(g for g in ahead.groups() if g), line[ahead.end() :]
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


def calls_by_thread(lines: Sequence[str], tags: Sequence[str], own: str) -> Grid | None:
    """Calls of every thread whose lines say when each begins and ends; None where they do not.

    Those of another thread belong to the loop that is under way when they begin.

    Examples
    --------
    >>> each = "[main] begin imu", "[cam] begin grab", "[main] end imu", "[cam] end grab"
    >>> log = [f"{20 * k + 3 * at} {line}" for k in range(4) for at, line in enumerate(each)]
    >>> grid = calls_by_thread(log, tags_of(log), "main")
    >>> grid.rows[4], grid.rows[5]
    (['20', '26', 'imu', '1', 'main'], ['23', '29', 'grab', '1', 'cam'])
    """
    events = {
        tag: read_events(apart(lines, tags, tag), tag != own) or []
        for tag in dict.fromkeys(tags)
        if tag
    }
    paired = {
        tag: found for tag, found in events.items() if {e.side for e in found} == {BEGIN, END}
    }
    together = sorted((e for found in paired.values() for e in found), key=lambda e: e.line)
    if own not in paired or not cross(together, tags):
        return None
    grid = calls_of(list(lines), paired.pop(own))
    grid.names.append("thread")
    grid.units.append(None)
    under_way, number = list[str](), "0"
    for row in grid.rows:
        number = row[3] if row is not None else number
        under_way.append(number)
        if row is not None:
            row.append(own)
    for tag, found in paired.items():
        begun: dict[str, Event] = {}
        for event in found:
            if event.side == BEGIN:
                begun[event.name] = event
            elif (since := begun.pop(event.name, None)) is not None:
                row = [since.stamp, event.stamp, event.name, under_way[since.line], tag]
                grid.rows[since.line] = row
                grid.folded.append((event.line, since.line))
            else:
                grid.aside.append((event.line, "end without begin"))
        grid.aside += [(event.line, "begin without end") for event in begun.values()]
    return grid


def lengths_by_thread(lines: Sequence[str], tags: Sequence[str]) -> Grid | None:
    """Calls of every thread whose lines give a name and how long it took; None where they do not.

    Calls of one thread lie side by side or within each other; those of two cut across.

    Examples
    --------
    >>> calls = [(20 * k, "main", "imu", 12) for k in range(60)]
    >>> calls += [(17 * k + 2, "cam", "grab", 9) for k in range(60)]
    >>> log = [f"[{at / 1e3:.3f}] [{tag}] {name} took {took} ms"
    ...        for at, tag, name, took in sorted(calls)]
    >>> lengths_by_thread(log, tags_of(log)).rows[1]
    ['0.002', '9', 'grab', 'cam']
    """
    grid = Grid(list(lines), [None] * len(lines), ["time", "duration", "name", "thread"])
    units, calls, dated, places = set(), [], set(), 0
    for at, (line, tag) in enumerate(zip(lines, tags, strict=True)):
        rest = _split(line)[1] if tag else ""
        found = _TOOK.match(_LEVEL.sub("", rest, count=1))
        stamp = _instant(line[: len(line) - len(rest)])
        if found is None or stamp is None:
            continue
        units.add(found["unit"])
        cell, when, digits = stamp
        dated.add(":" in cell)
        grid.rows[at] = [cell, found["took"], found["name"], tag]
        calls.append((when, float(found["took"].replace(",", ".")), tag))
        places = max(places, digits)
    if len(units) != 1 or len(dated) != 1 or len(calls) < _MOST_TAGGED * sum(map(bool, tags)):
        return None
    length = units.pop()
    grid.units = [_overlapping(calls, length, 10.0**-places), length, None, None]
    if grid.units[0] is None or dated != {True}:
        return None if grid.units[0] is None else grid
    overlap, grid.units[0] = grid.units[0], None  # a time of day says its unit itself
    return grid if overlap == "s" else None


def _instant(head: str) -> tuple[str, float, int] | None:
    """The instant in what stands before a line's words: as it stands, as a number, its places.

    Examples
    --------
    >>> _instant("[1.250] [main] "), _instant("2026-04-02 10:00:01.50 [main] ")
    (('1.250', 1.25, 3), ('2026-04-02 10:00:01.50', 36001.5, 2))
    """
    if (day := _OF_DAY.search(head)) is not None:
        hours, minutes, seconds = (float(part.replace(",", ".")) for part in day.groups())
        begin = head.lstrip(" [(<")
        cell = begin[: day.end() - (len(head) - len(begin))]
        places = len(re.split("[.,]", day[3])[-1]) if len(day[3]) > 2 else 0
        return cell, 3600 * hours + 60 * minutes + seconds, places
    plain = _NUMBER_ALONE.search(head)
    return plain and (plain[0], float(plain[0]), len(plain[0].partition(".")[2]))


def _overlapping(calls: list[tuple[float, float, str]], unit: str, tick: float) -> str | None:
    """The unit of the stamps, if calls of two tags cut across each other; else None.

    Those that touch, or end together, may do so for the tick of the stamps.
    A line follows the one before about as soon as a call takes.
    """
    longest = max(took for _, took, _ in calls)
    steps = sorted(abs(b - a) for (a, _, _), (b, _, _) in pairwise(calls))
    usual = steps[len(steps) // 2]
    if not longest or not usual:
        return None
    own = UNITS.get(unit, UNITS["us"])
    stamps = min(UNITS, key=lambda name: abs(math.log(usual * UNITS[name] / own / longest)))
    scale = UNITS[stamps] / own
    tick *= 1.01 * scale
    after = [(one[1], other[1], (other[0] - one[0]) * scale) for one, other in pairwise(calls)
             if one[2] != other[2]]  # fmt: skip
    # stamped when they begin or when they are over: nobody knows which, so it must be so either way
    begun, over = (
        sum(tick < gap < own - tick < gap + its - 2 * tick for *both, gap in after
            for own, its in [both[::way]])
        for way in (1, -1)
    )  # fmt: skip
    cut = min(begun, over)
    return stamps if cut >= _OVERLAPS else None


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
