"""Words in the order of time: what began, what was done, and when."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from looptime.parsers.columns.evidence import BEGIN_WORDS, END_WORDS, rises, without_binding
from looptime.parsers.columns.lexicon import PHASES
from looptime.parsers.layouts.edge_words import WORDS, split_edge
from looptime.parsers.layouts.pairing import BEGIN, END
from looptime.parsers.lines.grid import fit_cell, is_text
from looptime.parsers.lines.shapes import LEVELS, Shapes
from looptime.parsers.text.dialect import is_number
from looptime.records import dataclass

__all__ = ["Event", "find_events", "read_events", "without_states"]

_SAMPLE = 2000
_MOST_WORDS = 100
#: A stamp, and an arrow before a name.
_ARROW = re.compile(
    r"^(\s*+(?:[^\w\s]\s*+)?(?:(?=[^\s\d]*\d)\S++\s++){1,2}"
    r"(?:[mun\N{MICRO SIGN}]?s\W?\s++)?[:|,\])\s]*+(?:[\[(<]\s*[A-Za-z][\w .#-]*[\])>][\s:|]*)?)"
    r"([-=]*>{1,3}|<{1,3}[-=]*|[\N{RIGHTWARDS ARROW}\N{LEFTWARDS ARROW}]|(?<!\S)[+-])"
    r"\s*(?=[A-Za-z_])"
)
_ENTERS = (">", "+", "\N{RIGHTWARDS ARROW}")
#: A stamp, and a letter for begin or end before a name or behind it.
_LETTER = re.compile(
    r"^(\s*+(?:[^\w\s]\s*+)?(?=[^\s\d]*\d)\S++\s++(?:[mun\N{MICRO SIGN}]?s\W?\s++)?[:|\])\s]*+)"
    r"(?:([BSE])\s+(?=[A-Za-z_])|([A-Za-z_][\w.\[\]-]*\s+)([BSE])(?=\s|$))",
    re.IGNORECASE,
)
#: Share of the letters for begin and end that come by turns.
_TURNS = 0.8
#: Words before a stamp at the end of their line.
_BEHIND = re.compile(
    r"^\s*([A-Za-z].*?)(?<![\s:=@])[\s:=@]++(\d+(?:[.,]\d+)?(?:\s?[mun\N{MICRO SIGN}]?s)?)\s*$"
)
#: What may stand before a stamp: nothing, a bracket, or words set off from it.
_LEADS = re.compile(
    r"(^|[\[\](<:|>@=)]|->|^\s*(info|warn|warning|debug|error|trace|[iwed]))\s*$", re.IGNORECASE
)
_FRAME = re.compile(r"[^\w .:/+-]+|(?<!\w)[-:.]+|[-:.]+(?!\w)")
_SIDES = dict.fromkeys((*BEGIN_WORDS, "starting", "beginning", "entering", "entered", "opening"),
                       BEGIN) | dict.fromkeys(
    (*END_WORDS, "completed", "ready", "finishing", "returned", "exited", "over", "leaving",
     "left"), END)  # fmt: skip

#: Words of how something is, and events of that for each pass of the loop at most.
_STATES = frozenset(("up", "down", "on", "off", "open", "closed", "in", "out", "raised", "lowered"))
_RARE = 0.1


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
    made, texts = [], []
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
        texts.append(text)
    made = without_states(made, texts)
    return made if _regular(made) and _rising([event.stamp for event in made]) else None


def without_states(events: list[Event], texts: list[str]) -> list[Event]:
    """Events without those that say how something is from there on: these are phases.

    "tray up" and "tray down" begin and end no call where the loop goes round between them.

    Examples
    --------
    >>> texts = ["tray up", *["loop start"] * 30, "tray down", *["loop start"] * 30]
    >>> made = without_states([Event(k, str(k), text, 0) for k, text in enumerate(texts)], texts)
    >>> len(made), made[0].phase, made[-1].phase
    (60, 'tray up', 'tray down')
    """
    of = [text.split()[:-1] if text.split()[-1:] and text.split()[-1].lower() in _STATES else []
          for text in texts]  # fmt: skip
    common = Counter(text for text, stem in zip(texts, of, strict=True) if not stem)
    loop = max(common, key=lambda text: common[text], default="")
    passes = np.cumsum([text == loop for text in texts])
    states: dict[int, str] = {}
    for stem in {" ".join(words) for words in of if words}:
        at = [k for k, words in enumerate(of) if words and " ".join(words) == stem]
        rare = len({texts[k] for k in at}) > 1 and len(at) <= _RARE * common[loop]
        if rare and np.median(np.diff(passes[at])) > 1:
            states |= {k: texts[k] for k in at}
    made, phase = [], ""
    for k, event in enumerate(events):
        phase = states.get(k, phase)
        if k not in states:
            made.append(replace(event, phase=event.phase or phase) if phase else event)
    return made


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
