"""Lines that name their numbers: ``key=value`` pairs, and sentences with numbers in them."""

import re
from collections import Counter
from functools import lru_cache
from itertools import pairwise

import numpy as np

from looptime.parsers.columns.evidence import rises
from looptime.parsers.lines.glued import unglued
from looptime.parsers.lines.grid import Grid, counts, fit_cell, is_stamp, is_text, spliced
from looptime.parsers.lines.shapes import CLOCK, LEVELS, Sentence, Shapes
from looptime.parsers.lines.tags import tags_of
from looptime.parsers.text.dialect import is_number
from looptime.records import dataclass

__all__ = ["STAMP", "UNNAMED", "read_keyed"]

#: The column of what no word names: the stamp of a line.
STAMP = "time"
#: What the columns of other numbers without a name begin with.
UNNAMED = "number"
_SAMPLE = 2000
#: Of the lines, this part must hold values that others hold too.
_LEAST_SHARE = 0.3
#: Lines that name a key twice were run into one if they are no more than this part.
_RUN_INTO_ONE = 0.05
#: A name is one of all lines if this share of them holds it.
_IN_ALL = 0.9
#: A key is one if so many lines have it.
_LEAST_USES = 3
#: Of the lines of the commonest shape, those that count the loops are so many.
_AS_OFTEN = 0.5
#: Words of a line that says that a loop has begun.
_BEGUN = frozenset(("begin", "begins", "begun", "start", "starts", "started", "starting"))
#: Pairs of words that make a row beside its stamp, and the share of such lines.
_WORDS, _MOSTLY = 2, 0.9
#: Of lines that are alike, so many have other words than the one before, if these are names.
_TAKES_TURNS = 0.8
_COMMA = re.compile(r"(?<![\w.,])[+-]?\d+,\d+(?![\d,])")
_POINT = re.compile(r"(?<![\w.])[+-]?\d+\.\d+(?![\w.])")
#: A number whose thousands are set off; with two commas it is no decimal one.
_THOUSANDS = re.compile(r"(?<![\w.,])[+-]?\d{1,3}(?:,\d{3})+(?![\d,])")
#: A dash between a name and what is said of it, or a colon before how long it took.
_DASH = re.compile(
    r"(?<=[\w)\]])(?:\s[-\u2013\u2014]\s(?=\s*(?:took|takes|done|begins?|begun|starts?|started|"
    r"finished|ended|lasted|needed|in)\b)|\s?:\s(?=\s*(?:took|takes|lasted|needed)\b))",
    re.IGNORECASE,
)  # fmt: skip
_IS_CLOCK = re.compile(CLOCK)
#: A key and the word it holds.
_WORD = re.compile(
    r"(?<![\w.])([A-Za-z_]\w*)[ \t]*[=:][ \t]*([\"']?)([A-Za-z_][\w./-]*)\2(?![\w.])"
)


@dataclass
class _Plan:
    """Where the numbers of a sentence go, and by how much they are scaled."""

    places: list[int]
    scales: list[float] | None
    words: list[tuple[int, str]]
    width: int


def read_keyed(lines: list[str]) -> Grid | None:
    """Cells of a log whose lines name their numbers; None where it is no such log.

    Examples
    --------
    >>> grid = read_keyed(["board v3.2 up", *(f"{k * 20} imu={k} enc=2.5" for k in range(4))])
    >>> grid.names, grid.rows[2]
    (['time', 'imu', 'enc'], ['20', '1', '2.5'])
    """
    lines = [_DASH.sub(" ", line) for line in _owned(_joined(unglued(lines)))]
    sample = [line for line in lines[:_SAMPLE] if is_text(line)]
    shapes = Shapes(comma=_has_comma(sample))
    told = [shapes.read(line) for line in sample]
    if _name_owners(shapes, sample, [s for s, _ in told]):
        told = [shapes.read(line) for line in sample]
    fit = [s for s, _ in told if _eligible(s)]
    if sum(_worded(s) for s, _ in told) > _MOSTLY * len(sample):
        return _grid(lines, shapes, set(), False)
    marked = sum(s.marks > 0 for s in fit) > 0.5 * len(fit)
    if marked and _of_one_thread(told, sample) and _call_loops(shapes, sample):
        told = [shapes.read(line) for line in sample]
        fit = [s for s, _ in told if _eligible(s)]
    keys = _keys(fit, marked)
    good = [_holds(sentence, keys, marked) for sentence, _ in told]
    if not keys or sum(good) < max(2, _LEAST_SHARE * len(sample)):
        return None
    chosen = [(s, n, line) for (s, n), line, ok in zip(told, sample, good, strict=True) if ok]
    if not _is_sure([s for s, _, _ in chosen], len(sample)):
        return None
    usual = Counter(shapes.shape(line) for _, _, line in chosen).most_common(4)
    for shape, often in usual:
        if often < 0.15 * len(chosen):
            break
        shapes.expect(next(line for _, _, line in chosen if shapes.shape(line) == shape))
    every = [s for s, _, _ in chosen]
    uses = Counter(name for s in every for name in _named(s))
    known = {name for name, count in uses.items() if count >= _LEAST_USES}
    always = {name for name, count in uses.items() if count >= _IN_ALL * len(every)}
    of_two = sum(_twice(s) or _of_two(s, known, always) for s in every)
    single = (known, always) if of_two <= _RUN_INTO_ONE * len(every) else None
    return _grid(lines, shapes, keys | _word_keys([s for s, _ in told], uses), marked, single)


def _word_keys(told: list[Sentence], uses: Counter[str]) -> set[str]:
    """Keys that stand alone on a line as often as others, with a word or a time: ``mode: auto``.

    Examples
    --------
    >>> shapes = Shapes()
    >>> told = [shapes.read(line)[0] for line in ("mode: auto", "imu: 1", "note: ok", "imu: 2") * 3]
    >>> _word_keys(told[:4] + told[:2], Counter(imu=3))
    {'mode'}
    """
    alone = Counter(key for s in told for key in _alone(s))
    return {key for key, often in alone.items() if often >= _AS_OFTEN * max(uses.values())}


def _alone(sentence: Sentence) -> tuple[str, ...]:
    """The key of a line that is no more than it and its word, or the time that it holds."""
    if not sentence.names and len(sentence.words) == 1 and not sentence.text:
        return tuple(sentence.words)
    name = sentence.names[0] if len(sentence.names) == 1 and not sentence.words else None
    return (name,) if name and sentence.marks and is_stamp(name) else ()


def _twice(sentence: Sentence) -> bool:
    """Whether a key stands twice in a line: the second time it has a 2 behind it."""
    named = set(_named(sentence))
    return any(f"{name} 2" in named for name in named)


def _of_two(sentence: Sentence, known: set[str], always: set[str]) -> bool:
    """Whether a line is the beginning of one and the end of another.

    It holds a name that hardly any line has, where one is missing that they all have, or in which
    the beginning of one such name and the end of one run together, or a number and a name:
    ``drive=28us drive=34us`` without a few bytes is ``drive=2uss drive=34us``.

    Examples
    --------
    >>> shapes, known = Shapes(), {"gyro", "drive", "odometry"}
    >>> lines = "gyro=1us x=3us", "gyro=1us drive=2uss drive=3us", "gyro=1us drive=2us x=3us"
    >>> [_of_two(shapes.read(line)[0], known, {"gyro", "drive"}) for line in lines]
    [True, True, False]
    >>> _of_two(shapes.read("gyro=1us drive=2us odometry=3us drietry=4us")[0], known, known)
    True
    """
    named = set(_named(sentence))
    strange = named - known
    return 0 < len(strange) <= len(named & known) and (
        not always <= named
        or any(name.split()[-1] in named - {name} or spliced(name, known) for name in strange)
    )


def _of_one_thread(told: list[tuple[Sentence, list[str]]], sample: list[str]) -> bool:
    """Whether all values are told by lines of one thread, as far as lines name theirs."""
    tags = tags_of(sample)
    return tags is None or len({tag for (s, _), tag in zip(told, tags, strict=True) if s.marks}) < 2


def _name_owners(shapes: Shapes, sample: list[str], told: list[Sentence]) -> bool:
    """Name lengths by the words that take turns in lines which are alike else; whether any do.

    Examples
    --------
    >>> log = [f"{9 * k + at} {name}: done busy={at}ms" for k in range(4)
    ...        for at, name in enumerate(("imu", "drive"), 1)]
    >>> shapes = Shapes()
    >>> _name_owners(shapes, log, [shapes.read(line)[0] for line in log])
    True
    >>> shapes.read(log[1])[0].names
    (None, 'drive busy')
    """
    alike: dict[tuple[object, ...], list[int]] = {}
    for at, one in enumerate(told):
        if any(name and unit for name, unit in zip(one.names, one.units, strict=True)):
            alike.setdefault((one.names, one.units), []).append(at)
    found = False
    for places in alike.values():
        texts = [told[at].text.split() for at in places]
        shared = set.intersection(*map(set, texts))
        own = [" ".join(w for w in text if w not in shared and w.lower() not in LEVELS)
               for text in texts]  # fmt: skip
        turns = sum(one != other for one, other in pairwise(own))
        uses = Counter(own)
        if "" in uses or 4 * len(uses) > len(own) or turns < _TAKES_TURNS * len(own):
            continue
        found = True
        for at, whose in {shapes.shape(sample[at]): (at, whose)
                          for at, whose in zip(places, own, strict=True)}.values():  # fmt: skip
            shapes.belongs(sample[at], whose)
    return found


def _call_loops(shapes: Shapes, sample: list[str]) -> bool:
    """Call the number a loop's whose lines say that so many have begun; whether there is one.

    Lines say so in words; or they hold nothing but a number that counts them and the time, and come
    as often as any: the first of such lines do.

    Examples
    --------
    >>> log = [f"[{20 * k}] pass {k} begins" for k in range(5)]
    >>> _call_loops(shapes := Shapes(), log), shapes.read(log[0])[0].names
    (True, (None, 'loop'))
    >>> log = [f"== tour {k}: {20.5 * k:.1f}" for k in range(5)]
    >>> _call_loops(shapes := Shapes(), log), shapes.read(log[0])[0].names
    (True, ('loop', 'time'))
    """
    alike: dict[str, tuple[str, list[list[str]]]] = {}
    for line in sample:
        alike.setdefault(shapes.shape(line), (line, []))[1].append(shapes.read(line)[1])
    often = max(len(rows) for _, rows in alike.values())
    found = False
    for line, rows in alike.values():
        sentence, _ = shapes.read(line)
        begins = not _BEGUN.isdisjoint(sentence.text.lower().split())
        if not begins and (found or len(rows) < _AS_OFTEN * often):
            continue
        names = _of_a_head(sentence, [list(cells) for cells in zip(*rows, strict=True)])
        if names is not None:
            shapes.call(line, names)
            found = True
    return found


def _of_a_head(sentence: Sentence, columns: list[list[str]]) -> tuple[str | None, ...] | None:
    """Names of the numbers of lines of which one counts the lines, beside the time if any.

    A time before the number is the line's stamp, which needs no name.
    """
    if not 0 < len(columns) < 3 or sentence.words or sentence.marks >= len(columns):
        return None
    at = next((k for k in (len(columns) - 1, 0) if counts(columns[k])), -1)
    if at < 0 or sentence.units[at]:
        return None
    others = [cells for k, cells in enumerate(columns) if k != at]
    if any(all(map(is_number, one)) and not rises(np.array(one, np.float64)) for one in others):
        return None
    return (*[None] * at, "loop", *[STAMP] * (len(columns) - 1 - at))


def _joined(lines: list[str]) -> list[str]:
    """Lines without the commas that set off thousands, where all commas in numbers may be such.

    Examples
    --------
    >>> _joined(["[1,234,567 us] imu=1,230us", "[12 us] imu=9us"])
    ['[1234567 us] imu=1230us', '[12 us] imu=9us']
    >>> _joined(["1,234,567 at=1,2"])
    ['1,234,567 at=1,2']
    """
    text = "\n".join(lines[:_SAMPLE])
    found = _THOUSANDS.findall(text)
    commas = len(re.findall(r"\d,(?=\d)", text))
    if not any(one.count(",") > 1 for one in found) or commas > sum(
        one.count(",") for one in found
    ):
        return lines
    return [_THOUSANDS.sub(lambda one: one[0].replace(",", ""), line) for line in lines]


def _owned(lines: list[str]) -> list[str]:
    """Lines in which the words that one key holds in turn stand alone, before what is theirs.

    Examples
    --------
    >>> _owned(['t=8 call="imu" ms=2.1 call="drive" ms=0.6'] * 2)[0]
    't=8 imu ms=2.1 drive ms=0.6'
    >>> _owned(["t=8 mode=auto imu=2.1"])
    ['t=8 mode=auto imu=2.1']
    """
    sample = [line for line in lines[:_SAMPLE] if is_text(line)]
    holds = [{(key, word) for key, _, word in _WORD.findall(line)} for line in sample]
    often = Counter(key for one in holds for key, n in Counter(k for k, _ in one).items() if n > 1)
    keys = {key for key, n in often.items() if 2 * n > len(sample)}
    if not keys:
        return lines
    return [_WORD.sub(lambda one: one[3] if one[1] in keys else one[0], line) for line in lines]


def _has_comma(sample: list[str]) -> bool:
    """Whether numbers have a decimal comma: some do, and none has a point."""
    text = "\n".join(_IS_CLOCK.sub("", line) for line in sample[:400])
    return bool(_COMMA.search(text)) and not _POINT.search(text)


def _named(sentence: Sentence) -> tuple[str, ...]:
    """Names of the numbers, without the stamp's."""
    return _without_stamps(sentence.names)


@lru_cache(maxsize=1 << 10)
def _without_stamps(names: tuple[str | None, ...]) -> tuple[str, ...]:
    return tuple(name for name in names if name and not is_stamp(name))


def _eligible(sentence: Sentence) -> bool:
    """Whether the numbers but for a stamp or two at the start have names, one not a stamp's.

    One in four may have none.
    """
    names = sentence.names
    if not _named(sentence):
        return False
    lead = _lead(names)
    return lead <= 2 and 3 * names[lead:].count(None) <= len(_named(sentence))


def _worded(sentence: Sentence) -> bool:
    """Whether a line is a stamp with pairs of words, such as what begins and ends."""
    named = [name for name in sentence.names if name]
    return len(named) == 1 and is_stamp(named[0]) and len(sentence.words) >= _WORDS


def _lead(names: tuple[str | None, ...]) -> int:
    """Numbers before the first that has a name."""
    return next((at for at, name in enumerate(names) if name is not None), len(names))


def _keys(fit: list[Sentence], marked: bool) -> set[str]:
    """Names that are met again and again; where nothing sets them off, far more often."""
    uses = Counter(name for s in fit if s.marks or not marked for name in _named(s))
    least = max(min(_LEAST_USES, max(1, len(fit) // 2)), (0.005 if marked else 0.1) * len(fit))
    return {name for name, count in uses.items() if count >= least}


def _holds(sentence: Sentence, keys: set[str], marked: bool) -> bool:
    named = _named(sentence)
    if marked and not sentence.marks:
        return False
    return _eligible(sentence) and 2 * sum(name in keys for name in named) >= len(named)


def _is_sure(chosen: list[Sentence], count: int) -> bool:
    """Whether the names are set off as such: by a mark, a unit, or by coming back in every line."""
    if sum(s.marks > 0 for s in chosen) > 0.5 * len(chosen):
        return True
    names, often = Counter(s.names for s in chosen).most_common(1)[0]
    return often >= 0.8 * count and sum(name is not None for name in names) >= 2


def _grid(
    lines: list[str],
    shapes: Shapes,
    keys: set[str],
    marked: bool,
    single: tuple[set[str], set[str]] | None = None,
) -> Grid:
    """Rows of lines; with the names that are known and those of all, no line is one of two."""
    grid = Grid(lines)
    plans: dict[int, _Plan | None] = {}
    kept: list[Sentence] = []  # a sentence that is kept has an identity of its own
    read, torn = shapes.read, set[int]()
    for at, line in enumerate(lines):
        if not is_text(line):
            grid.rows.append(None)
            continue
        sentence, numbers = read(line)
        if id(sentence) not in plans:
            kept.append(sentence)
            of_two = single is not None and (_twice(sentence) or _of_two(sentence, *single))
            torn |= {id(sentence)} if of_two else set()
            plans[id(sentence)] = None if of_two else _plan(grid, sentence, keys, marked)
        plan = plans[id(sentence)]
        if id(sentence) in torn:
            grid.aside.append((at, "wrong number of fields"))
        grid.rows.append(None if plan is None else _row(plan, numbers, shapes.comma))
    return grid


def _plan(grid: Grid, sentence: Sentence, keys: set[str], marked: bool) -> _Plan | None:
    if not (
        keys.intersection(_alone(sentence))
        or _holds(sentence, keys, marked)
        or (not keys and _worded(sentence))
    ):
        return None
    stamps, lead = [STAMP, f"{STAMP} 2"], _lead(sentence.names)
    names = [
        name or (stamps[at] if at < lead else f"{UNNAMED} {at + 1}")
        for at, name in enumerate(sentence.names)
    ]
    places = [grid.column(name, unit) for name, unit in zip(names, sentence.units, strict=True)]
    scales = [
        grid.scale(at, unit) if at >= 0 else 1.0
        for at, unit in zip(places, sentence.units, strict=True)
    ]
    listed = zip(places, sentence.listed, strict=True) if sentence.listed else ()
    grid.in_list |= {at: unit for at, unit in listed if at >= 0 and unit is not None}
    words = [(grid.column(key), fit_cell(word)) for key, word in sentence.words.items()]
    words = [(at, word) for at, word in words if at >= 0]
    return _Plan(places, scales if any(s != 1.0 for s in scales) else None, words, len(grid.names))


def _row(plan: _Plan, numbers: list[str], comma: bool) -> list[str]:
    if comma:
        numbers = [n.replace(",", ".") for n in numbers]
    if plan.scales is not None:
        numbers = [
            n if scale == 1.0 else repr(float(n) * scale)
            for n, scale in zip(numbers, plan.scales, strict=True)
        ]
    if not plan.words and plan.places == list(range(len(numbers))):
        return numbers
    row = [""] * plan.width
    for at, number in zip(plan.places, numbers, strict=True):
        if at >= 0:
            row[at] = number
    for at, word in plan.words:
        row[at] = word
    return row
