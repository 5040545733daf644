"""Words in the order of time: what began, what was done, and when."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from looptime.parsers.columns.evidence import BEGIN_WORDS, END_WORDS, rises, without_binding
from looptime.parsers.columns.headers import LOOP_WORD
from looptime.parsers.columns.lexicon import PHASES
from looptime.parsers.layouts.edges import WORDS, split_edge
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.grid import Grid, fit_cell, is_text
from looptime.parsers.lines.shapes import LEVELS, Shapes
from looptime.parsers.text.dialect import is_number
from looptime.records import dataclass

__all__ = ["Event", "calls_of", "find_events", "needs_pairs", "read_events"]

_SAMPLE = 2000
_MOST_WORDS = 100
#: Of so few events, and of more odd ones than this share, nothing is told.
_FEW_EVENTS, _MOST_ODD = 12, 0.02
#: A stamp, and an arrow before a name.
_ARROW = re.compile(
    r"^(\s*\W?\s*(?:\S*\d\S*\s+){1,2}(?:[mun\N{MICRO SIGN}]?s\W?\s+)?[:|,\])\s]*"
    r"(?:[\[(<]\s*[A-Za-z][\w .#-]*[\])>][\s:|]*)?)"
    r"([-=]*>{1,3}|<{1,3}[-=]*|[\N{RIGHTWARDS ARROW}\N{LEFTWARDS ARROW}]|(?<!\S)[+-])"
    r"\s*(?=[A-Za-z_])"
)
_ENTERS = (">", "+", "\N{RIGHTWARDS ARROW}")
#: A stamp, and a letter for begin or end before a name or behind it.
_LETTER = re.compile(
    r"^(\s*\W?\s*\S*\d\S*\s+(?:[mun\N{MICRO SIGN}]?s\W?\s+)?[:|\])\s]*)"
    r"(?:([BSE])\s+(?=[A-Za-z_])|([A-Za-z_][\w.\[\]-]*\s+)([BSE])(?=\s|$))",
    re.IGNORECASE,
)
#: Share of the letters for begin and end that come by turns.
_TURNS = 0.8
#: Words before a stamp at the end of their line.
_BEHIND = re.compile(r"^\s*([A-Za-z].*?)[\s:=@]+(\d+(?:[.,]\d+)?(?:\s?[mun\N{MICRO SIGN}]?s)?)\s*$")
#: More events than this share that come too soon or too late are of two logs.
_MOST_CROSSED = 0.2
#: What may stand before a stamp: nothing, a bracket, or words set off from it.
_LEADS = re.compile(
    r"(^|[\[\](<:|>@=)]|->|^\s*(info|warn|warning|debug|error|trace|[iwed]))\s*$", re.IGNORECASE
)
_FRAME = re.compile(r"[^\w .:/+-]+|(?<!\w)[-:.]+|[-:.]+(?!\w)")
_SIDES = dict.fromkeys((*BEGIN_WORDS, "starting", "beginning", "entering", "entered", "opening"),
                       BEGIN) | dict.fromkeys(
    (*END_WORDS, "completed", "ready", "finishing", "returned", "exited", "over", "leaving",
     "left"), END)  # fmt: skip
_LOOP_TEXT = re.compile(r"(^|[^a-z])(loop|cycle|iteration|frame|tick)([^a-z]|$)")


@dataclass(frozen=True)
class Event:
    """A line, its stamp as it is written, what it names, whether that began or ended.

    `unit` is that of the stamp, where the line names it.
    """

    line: int
    stamp: str
    name: str
    side: int | None
    unit: str | None = None
    phase: str = ""  #: Where the line names it, such as ``state=armed``


def _sided(text: str) -> tuple[str, int | None]:
    """What an event names, and its side.

    Examples
    --------
    >>> _sided("imu read completed") == ("imu read", END), _sided("loop start") == ("loop", BEGIN)
    (True, True)
    >>> _sided("après la lecture") == ("lecture", END), _sided("start") == ("loop", BEGIN)
    (True, True)
    """
    name, side = split_edge(text)
    if side is not None:
        return name, side
    words = text.split()
    for at, rest in ((-1, words[:-1]), (0, words[1:])) if words else ():
        side = _SIDES.get(words[at].lower())
        if side is not None:  # a word alone is that of the loop
            return without_binding(" ".join(rest)) or "loop", side
    return text, None


def read_events(lines: list[str], whole: bool = False) -> list[Event] | None:
    """Events of a log whose lines are a stamp and words; None where it is no such log.

    Words that all of them begin with are no part of the names, unless these are to be `whole`.

    Examples
    --------
    >>> log = [f"{20 * k + at} {what}" for k in range(4) for at, what in
    ...        ((0, "loop start"), (9, "imu done"))]
    >>> [(e.stamp, e.name) for e in read_events(log)[:2]]
    [('0', 'loop'), ('9', 'imu')]
    """
    lines, shapes = _in_words(_stamps_first(lines)), Shapes()
    sample = [line for line in lines[:_SAMPLE] if is_text(line)]
    uses = Counter(text for line in sample if (text := _event(shapes, line)[1]))
    stamps: dict[str, set[str]] = {}
    for line in sample:
        stamp, text = _event(shapes, line)
        stamps.setdefault(text, set()).add(stamp)
    known = {text for text, count in uses.items()
             if count >= max(2, 0.002 * len(sample)) and len(stamps[text]) > 1}  # fmt: skip
    known |= _pairs(uses)
    if not 1 < len(known) <= _MOST_WORDS:
        return None
    if sum(uses[text] for text in known) < 0.5 * len(sample):
        return None
    drop = 0 if whole else _common(known)
    made = []
    sided: dict[str, tuple[str, int | None]] = {}
    for at, line in enumerate(lines):
        if not is_text(line):
            continue
        stamp, text = _event(shapes, line)
        if not text or (text in uses and text not in known) or len(sided) >= 2 * _MOST_WORDS:
            continue
        if text not in sided:
            sided[text] = _sided(" ".join(w for k, w in enumerate(text.split()) if k >= drop))
        sentence = shapes.read(line)[0]
        phase = next((word for key, word in sentence.words.items() if key.lower() in PHASES), "")
        made.append(Event(at, stamp, *sided[text], sentence.units[0], phase))
    return made if _regular(made) and _rising([event.stamp for event in made]) else None


def _stamps_first(lines: list[str]) -> list[str]:
    """Lines with their stamps before the words, where nearly all have them behind.

    Examples
    --------
    >>> _stamps_first(["loop 7 begin 140.0", "  after imu: 142.5"])
    ['140.0 loop 7 begin', '142.5 after imu']
    """
    behind = sum(_BEHIND.match(line) is not None for line in lines[:_SAMPLE])
    if behind < 0.9 * sum(map(is_text, lines[:_SAMPLE])):
        return lines
    return [_BEHIND.sub(r"\2 \1", line) for line in lines]


def _in_words(lines: list[str]) -> list[str]:
    """Lines whose arrows say that a call is entered or left, in words.

    Examples
    --------
    >>> _in_words(["0.5 ms > arm.read", "2.0 ms < arm.read"])
    ['0.5 ms begin arm.read', '2.0 ms end arm.read']
    >>> _in_words(["0.5 [main] +arm.read", "2.0 [main] -arm.read"])
    ['0.5 [main] begin arm.read', '2.0 [main] end arm.read']
    >>> _in_words(["12 > imu done", "14 > drive done"])
    ['12 > imu done', '14 > drive done']
    >>> _in_words(["12 B imu", "14 E imu"]), _in_words(["12 imu b", "14 imu e"])
    (['12 begin imu', '14 end imu'], ['12 begin imu ', '14 end imu '])
    """
    few = 0.3 * sum(map(is_text, lines[:_SAMPLE]))
    met = Counter(found[2].endswith(_ENTERS) for line in lines[:_SAMPLE]
                  if (found := _ARROW.match(line)))  # fmt: skip
    if min(met[True], met[False]) < few:
        letters = [((found[2] or found[4]).lower() == "e", found[3] or line[found.end() :])
                   for line in lines[:_SAMPLE] if (found := _LETTER.match(line))]  # fmt: skip
        ends = sum(end for end, _ in letters)
        told = min(ends, len(letters) - ends) >= max(few, 1) and _by_turns(letters)
        return [_LETTER.sub(_spelled_out, line) for line in lines] if told else lines
    return [_ARROW.sub(lambda at: f"{at[1]}{'begin' if at[2].endswith(_ENTERS) else 'end'} ", line)
            for line in lines]  # fmt: skip


def _by_turns(letters: list[tuple[bool, str]]) -> bool:
    """Whether what begins ends before it begins again, mostly: others are points of a compass."""
    last: dict[str, bool] = {}
    turns = []
    for end, text in letters:
        name = (text.split() or [""])[0]
        if name in last:
            turns.append(last[name] != end)
        last[name] = end
    return sum(turns) >= _TURNS * len(turns)


def _spelled_out(found: re.Match[str]) -> str:
    """A letter for begin or end as that word, before the name."""
    word = "end" if (found[2] or found[4]).lower() == "e" else "begin"
    return f"{found[1]}{word} {found[3] or ''}"


def _pairs(texts: Iterable[str]) -> set[str]:
    """Texts that say both of a name, that it began and that it ended, however rare they are."""
    sided = {text: _sided(text) for text in texts}
    told = set(sided.values())
    return {
        text
        for text, (name, side) in sided.items()
        if side is not None and {(name, BEGIN), (name, END)} <= told
    }


def _common(texts: set[str]) -> int:
    """Words that every text begins with, such as a program's name; each keeps one of its own."""
    split = [text.split() for text in texts]
    shortest = min(len(words) for words in split)
    same = 0
    while same < shortest - 1 and len({words[same] for words in split}) == 1:
        same += 1
    return same


def _event(shapes: Shapes, line: str) -> tuple[str, str]:
    """Stamp and words of a line; no words where it says more, or is no event."""
    sentence, numbers = shapes.read(line)
    if not numbers or any(sentence.units[1:]):
        return "", ""
    name = sentence.names[0]
    if sentence.marks > 2 * (name is not None):
        return "", ""
    before, after = line.split(numbers[0], 1)
    if not _LEADS.search(before):
        return "", ""
    if after.lstrip(" ")[:1] in (",", ";", "|", "\t"):  # a cell of a table
        return "", ""
    stamped = name is not None and name in before  # else it is what happened
    said = sentence.text.replace(name, "", 1) if name and stamped else sentence.text
    words = _FRAME.sub(" ", said).split()
    words = [fit_cell(w) for w in words if w.lower() not in LEVELS]
    if not words or len(words) > 8:
        return "", ""
    return numbers[0], " ".join(words)


def find_events(
    stamps: Sequence[str], words: Sequence[Sequence[str]], lines: Sequence[int]
) -> list[Event]:
    """Events of a table's rows, whose words stand in one column or two: the name and the side."""
    sided: dict[tuple[str, ...], tuple[str, int | None]] = {}
    first = {WORDS.get(key[0].strip().lower()) for key in words}
    by_turns = first == {BEGIN, END} and _by_turns(
        [(WORDS[key[0].strip().lower()] == END, " ".join(key[1:])) for key in words]
    )
    for key in set(map(tuple, words)):
        sides = [WORDS.get(word.strip().lower()) for word in key]
        if len(key) == 2 and sides[1] is not None:
            sided[key] = key[0].strip(), sides[1]
        elif len(key) == 2 and by_turns:
            sided[key] = key[1].strip(), sides[0]
        else:
            sided[key] = _sided(" ".join(word.strip() for word in key))
    return [
        Event(line, stamp, *sided[tuple(key)])
        for line, stamp, key in zip(lines, stamps, words, strict=True)
    ]


def _out_of_turn(events: list[Event]) -> list[str]:
    """What is said of events that are missing, come twice, or have the stamp of the loop before.

    Examples
    --------
    >>> names = ["loop", "imu", "drive"] * 9
    >>> def log(names):
    ...     return [Event(at, str(at), name, None) for at, name in enumerate(names)]
    >>> _out_of_turn(log(names))
    []
    >>> _out_of_turn(log(names[:7] + names[8:]))
    ['in 1 place an event is missing that comes there else (imu): what follows it looks longer']
    """
    keys = [(event.name, event.side) for event in events]
    pairs = Counter(pairwise(keys))
    then = {}
    for (one, other), count in pairs.items():
        if count >= 0.6 * sum(n for (first, _), n in pairs.items() if first == one):
            then[one] = other
    missing: Counter[str] = Counter()
    twice: Counter[str] = Counter()
    for (one, other), count in pairs.items():
        due = then.get(one, one)
        if other == one != due:
            twice[one[0]] += count
        elif other != due and then.get(due) == other:
            missing[due[0]] += count
    said = []
    for found, what in (
        (missing, "an event is missing that comes there else ({}): what follows it looks longer"),
        (twice, "an event comes twice in a row ({}), as if it were sent again"),
    ):
        count = found.total()
        if count:
            named = ", ".join(name for name, _ in found.most_common(3))
            said.append(f"in {count:,} place{'s' * (count > 1)} " + what.format(named))
    share = _crossed(keys)
    if share > _MOST_CROSSED:
        said.append(
            f"{100 * share:.0f} % of the events come again before each of the others has come once:"
            " two logs may stand among each other"
        )
    ends = sorted({name.split()[-1] for name, _ in set(keys) if len(name.split()) > 1})
    begun = [one for one, other in pairwise(ends) if other.startswith(one)]
    if len(begun) > 1:
        said.append(
            f"names end within a word of others ({', '.join(begun[:3])}): were lines cut off? Then "
            "what else is missing is not known"
        )
    odd = _out_of_line(events)
    if odd:
        said.append(
            f"line {odd[0] + 1}: a stamp that those before and after it contradict"
            + (f", and {len(odd) - 1:,} more" if len(odd) > 1 else "")
            + ": garbled? The calls around it last too long or too short"
        )
    still = _still(events)
    if still:
        many = "event has" if len(still) == 1 else "events have"
        said.append(
            f"{len(still):,} {many} the stamp of the one before of the same name, the first at "
            f"line {still[0] + 1}: the clock stood still, and the loop after it looks long"
        )
    return said


def _crossed(keys: list[tuple[str, int | None]]) -> float:
    """Share of the events that come again too soon or too late, of those that go round.

    Examples
    --------
    >>> _crossed([("loop", 0), ("imu", 0), ("drive", 0)] * 9)
    0.0
    >>> two = [("loop", 0), ("imu", 0), ("loop", 0), ("imu", 0), ("imu", 0), ("loop", 0)] * 9
    >>> _crossed(two) > 0.5
    True
    """
    count = Counter(keys)
    often = max(count.values(), default=0)
    round_ = {key for key, many in count.items() if many >= 0.95 * often}
    mine = [key for key in keys if key in round_]
    last: dict[tuple[str, int | None], int] = {}
    wrong = 0
    for at, key in enumerate(mine):
        wrong += key in last and at - last[key] != len(round_)
        last[key] = at
    return wrong / max(1, len(mine) - 1)


def _out_of_line(events: list[Event]) -> list[int]:
    """Lines of single stamps that are later than the next one, or earlier than the one before."""
    known = [(float(e.stamp), e.line) for e in events if is_number(e.stamp)]
    if len(known) < len(events) or len(known) < _FEW_EVENTS:
        return []
    time, line = np.array([at for at, _ in known]), [at for _, at in known]
    before, now, after = time[:-2], time[1:-1], time[2:]
    odd = (before <= after) & ((now > after) | (now < before))
    return [line[at + 1] for at in np.flatnonzero(odd)] if odd.mean() < _MOST_ODD else []


def _still(events: list[Event]) -> list[int]:
    """Lines of events with the stamp of the last of their name, where few loops are so short."""
    last: dict[tuple[str, int | None], str] = {}
    lines = []
    for event in events:
        key = event.name, event.side
        if last.get(key) == event.stamp:
            lines.append(event.line)
        last[key] = event.stamp
    return lines if len(lines) < 0.4 * len(events) else []


def _rising(stamps: list[str]) -> bool:
    """Whether stamps are those of a clock; those that are dates are taken for such."""
    if any(":" in stamp for stamp in stamps[:1]):
        return True
    values = np.array([float(stamp) for stamp in stamps if is_number(stamp)])
    return len(values) > 0.9 * len(stamps) and rises(values)


def _regular(events: list[Event]) -> bool:
    """Whether the events go round: after each comes, mostly, the same one."""
    if len(events) < 4:
        return False
    after = Counter((a.name, a.side, b.name, b.side)
                    for a, b in pairwise(events))  # fmt: skip
    best: Counter[tuple[str, int | None]] = Counter()
    for (name, side, _, _), count in after.items():
        best[name, side] = max(best[name, side], count)
    return sum(best.values()) >= 0.6 * (len(events) - 1)


def needs_pairs(events: list[Event]) -> bool:
    """Whether some names only end: they began when the event before them did its work."""
    begun = {e.name for e in events if e.side == BEGIN}
    return any(e.side != BEGIN and e.name not in begun for e in events)


def calls_of(lines: list[str], events: list[Event]) -> Grid:
    """Timed calls between events, one a line.

    A name with both sides lasts from one to the other. A name that only ends began at the event
    before; a loop that only begins lasts until the last event before the next. Where nothing
    says begin, the time between two events is named by both.

    Examples
    --------
    >>> log = ["0 loop start", "9 imu done", "12 loop start", "15 imu done"]
    >>> calls_of(log, read_events(log)).rows[:2]
    [['0', '9', 'loop', '0'], ['0', '9', 'imu', '0']]
    """
    grid = Grid(lines, [None] * len(lines), ["start", "end", "name", "loop"])
    grid.units = [events[0].unit] * 2 + [None] * 2
    sides: dict[str, set[int | None]] = {}
    for event in events:
        sides.setdefault(event.name, set()).add(event.side)
    both = {name for name, own in sides.items() if {BEGIN, END} <= own}
    begun = any(BEGIN in own for own in sides.values())
    loop = _loop_event(events, begun)
    grid.loops_from = f"{loop[0]!r}, which begins each loop"
    grid.notes += _out_of_turn(events)
    under_way: dict[str, list[str]] = {}  # rows whose end is not known yet
    number = -1 if begun else 0
    before: Event | None = None
    for event in events:
        starts = (event.name, event.side) == loop
        if begun and starts:
            number += 1
            _close(under_way, event.name, before)
        if number < 0 or (before is None and event.side != BEGIN):
            grid.aside.append((event.line, "before first loop"))
        elif event.name in both and event.side == END:
            _pair(grid, event, under_way)
        elif event.side == BEGIN:
            row = [event.stamp, "", event.name, str(number)]
            if event.name in under_way:
                _drop(grid, under_way.pop(event.name))
            grid.rows[event.line] = under_way[event.name] = row
        elif before is not None:
            name = event.name if begun else f"{before.name} to {event.name}"
            grid.rows[event.line] = [before.stamp, event.stamp, name, str(number)]
        for name in [n for n in under_way if n not in both and n not in (loop[0], event.name)]:
            under_way.pop(name)[1] = event.stamp  # what only begins lasts until the next event
        number += starts and not begun
        before = event
    _close(under_way, loop[0], before)
    for row in under_way.values():
        _drop(grid, row)
    _name_phases(grid, events)
    return grid


def _name_phases(grid: Grid, events: list[Event]) -> None:
    """Put the phase that a line named last into the rows from there on, where any did."""
    phase = next((event.phase for event in events if event.phase), "")
    if not phase:
        return
    grid.column("phase")
    for event in events:
        phase = event.phase or phase
        row = grid.rows[event.line]
        if row is not None:
            row.append(phase)


def _close(under_way: dict[str, list[str]], name: str, last: Event | None) -> None:
    """End what was under way with the last event before now."""
    row = under_way.pop(name, None)
    if row is not None and last is not None:
        row[1] = last.stamp


def _drop(grid: Grid, row: list[str]) -> None:
    """Set a begin aside that has no end."""
    line = next(at for at in range(len(grid.rows) - 1, -1, -1) if grid.rows[at] is row)
    grid.rows[line] = None
    grid.aside.append((line, "begin without end"))


def _pair(grid: Grid, event: Event, under_way: dict[str, list[str]]) -> None:
    """Join the end of a call to its begin; the begin's line holds the call."""
    row = under_way.pop(event.name, None)
    if row is None:
        grid.aside.append((event.line, "end without begin"))
        return
    row[1] = event.stamp
    line = next(at for at in range(event.line - 1, -1, -1) if grid.rows[at] is row)
    grid.folded.append((event.line, line))


def _loop_event(events: list[Event], any_begin: bool) -> tuple[str, int | None]:
    """The event that begins a loop: one that is called so, else the first of the commonest."""
    uses = Counter((e.name, e.side) for e in events if e.side == BEGIN or not any_begin)
    called = [key for key in uses if LOOP_WORD.search(key[0].lower())]
    called = called or [key for key in uses if _LOOP_TEXT.search(key[0].lower())]
    if called:
        return max(called, key=lambda key: uses[key])
    most = max(uses.values())
    return next(key for key, count in uses.items() if count >= 0.98 * most - 1)
