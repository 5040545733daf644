"""Rows with levels of pins: changes of named pins, or all pins' levels at an instant."""

import re
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from itertools import permutations, takewhile

import numpy as np

from looptime.array_types import Bool, Float, Int
from looptime.parsers.columns.headers import named_unit
from looptime.parsers.columns.lexicon import LOOP_NUMBERS
from looptime.parsers.lines.cell_rows import header_lines, plain_cells
from looptime.parsers.lines.grid import fit_cell, is_stamp
from looptime.parsers.text.dialect import Dialect, is_clock_text, is_number, is_remark
from looptime.records import dataclass
from looptime.units import split_unit, word_unit

__all__ = ["LOOP_PIN", "Levels", "read_levels"]

#: Words for a pin that is high, and low.
_WORDS = (
    ("high", "low"), ("hi", "lo"), ("h", "l"), ("true", "false"), ("t", "f"), ("rising", "falling"),
    ("rise", "fall"), ("rose", "fell"), ("r", "f"), ("posedge", "negedge"), ("pos", "neg"),
    ("on", "off"), ("up", "down"), ("set", "clear"), ("\N{UPWARDS ARROW}", "\N{DOWNWARDS ARROW}"),
)  # fmt: skip
#: A pin that is called the loop's by its whole name: what is merely of a loop may be a state.
LOOP_PIN = re.compile(
    r"^((main|control|pin|gpio|(channel|chan|ch|pin|gpio|dio|din|di|do|d) ?\d+)[ _.-]*)*"
    r"(loop|cycle|iteration)([ _.-]?(pin|gpio|toggle|active|busy|running|marker|out|n|b|\d+))?$"
)
#: Words between a pin's name and its level.
_SAYS_LITTLE = re.compile(r"is|to|now|went|goes|level|state|value|edge|pin|channel", re.IGNORECASE)
#: What a line is cut into: numbers, words and arrows.
_TOKEN = re.compile(
    r"(?<![\w.])[+-]?(?:\d+:)*\d+(?:\.\d*)?(?:[eE][+-]?\d+)?"
    r"|[^\W\d_](?:[\w./#~]*\w)?|[\N{UPWARDS ARROW}\N{DOWNWARDS ARROW}]"
)
#: Rows that tell, the share of them that are alike, and the most pins.
_ROWS, _MOSTLY, _MOST_PINS = 24, 0.95, 64
#: Values of a column that are too few for a clock or an index.
_FEW = 8
#: Share of the rows of a pin that hold another level than its row before.
_CHANGES = 0.95
_OF_LEVELS = re.compile(r"level|state|value|edge|high|polarity|transition|bit$", re.IGNORECASE)


@dataclass(frozen=True)
class Levels:
    """Changes of the levels of pins, in the order of the log."""

    row: Int  #: Line of every row, from 0 and rising, shape (r,)
    stamp: list[str]  #: Time of every row as it stands
    time: Float  #: The same, in units of the log's own, shape (r,)
    unit: str | None
    change: Int  #: Row of each change, from 0 and rising, shape (m,)
    pin: Int  #: Shape (m,)
    high: Bool  #: Whether the pin is high from there on, shape (m,)
    names: list[str]  #: Of the pins
    headers: set[int]  #: Lines, from 0, that name columns
    #: Names of what else each row holds that has the levels of all; None where rows have one.
    others: list[str] | None

    @property
    def wide(self) -> bool:
        """Whether each row holds the levels of all."""
        return self.others is not None


@dataclass(frozen=True)
class _Cells:
    """Rows of a log, column by column."""

    line: list[int]
    columns: list[tuple[str, ...]]
    names: list[str]
    units: list[str | None]
    headers: set[int]
    tabled: bool


def read_levels(lines: Sequence[str], like: Dialect | None) -> Levels | None:
    """The levels of pins that the lines hold; None where they hold anything else.

    Parameters
    ----------
    lines : sequence of str
        The log.
    like : Dialect or None
        How it is written, if it is a table.

    Examples
    --------
    >>> told = [f"{2 * k} ms: pin D3 is {'HIGH' if k % 2 else 'LOW'}" for k in range(40)]
    >>> found = read_levels(told, None)
    >>> found.names, found.unit, found.high[:3].tolist(), found.stamp[:3]
    (['D3'], 'ms', [False, True, False], ['0', '2', '4'])
    """
    for read in (_of_table, _of_words):
        cells = read(lines, like)
        if cells is None or len(cells.line) < _ROWS:
            continue
        clock = _clock(cells)
        if clock is None:
            continue
        found = _long(cells, clock) or _wide(cells, clock)
        if found is not None:
            return found
    return None


def _of_table(lines: Sequence[str], like: Dialect | None) -> _Cells | None:
    if like is None or not like.header or not like.sample or like.fields < 2:
        return None
    rows = [(at, cells) for at, line in enumerate(lines)
            if (cells := plain_cells(line, like, at + 1)) is not None]  # fmt: skip
    if not rows:
        return None
    columns = [tuple(map(str.strip, cells))
               for cells in zip(*(cells for _, cells in rows), strict=True)]  # fmt: skip
    names = list(like.header[: like.fields])
    return _Cells([at for at, _ in rows], columns, names, [*map(named_unit, names)],
                  header_lines([*lines], like), True)  # fmt: skip


def _of_words(lines: Sequence[str], _like: Dialect | None) -> _Cells | None:
    """The words and numbers of lines that nearly all have as many; a word before one names it."""
    told = [(at, _TOKEN.findall(line)) for at, line in enumerate(lines) if not is_remark(line)]
    if len(told) < _ROWS:
        return None
    (width, often), *_ = Counter(len(tokens) for _, tokens in told).most_common(1)
    if width < 2 or often < _MOSTLY * len(told) - 1:
        return None
    rows = [(at, tokens) for at, tokens in told
            if len(tokens) == width and any(map(is_number, tokens))]  # fmt: skip
    if not rows:
        return None
    columns = list(zip(*(tokens for _, tokens in rows), strict=True))
    said = [
        cells[0] if len(set(cells)) == 1 and not is_number(cells[0]) else "" for cells in columns
    ]
    names = [_named(said[:at]) for at in range(width)]
    units = [named_unit(name) or word_unit(unit)
             for name, unit in zip(names, [*said[1:], ""], strict=True)]  # fmt: skip
    kept = [at for at, word in enumerate(said) if not word]
    return _Cells([at for at, _ in rows], [columns[at] for at in kept], [names[at] for at in kept],
                  [units[at] for at in kept], set(), False)  # fmt: skip


def _named(before: Sequence[str]) -> str:
    """The word that names what follows, of those before it that are the same in all lines.

    Examples
    --------
    >>> _named(["", "ms", "pin", "D3", "is"]), _named(["t", "", "level"]), _named(["t", ""])
    ('D3', 'level', '')
    """
    words = [*takewhile(bool, reversed(before))]
    return next((word for word in words if not _SAYS_LITTLE.fullmatch(word)), [*words, ""][0])


def _clock(cells: _Cells) -> int | None:
    """The one column that goes on from row to row, beside one perhaps that counts the rows."""
    rising = [at for at in range(len(cells.columns)) if _goes_on(cells.columns[at])]
    counts = [at for at in rising if _by_ones(cells.columns[at])]
    clocks = [at for at in rising if at not in counts]
    if not clocks and len(counts) == 1 and (
        is_stamp(cells.names[counts[0]]) or cells.units[counts[0]]
    ):  # fmt: skip
        clocks = counts
    return clocks[0] if len(clocks) == 1 else None


def _goes_on(column: Sequence[str]) -> bool:
    time = None if len(set(column)) <= _FEW else _times(column)
    if time is None:
        return False
    step = np.diff(time)
    return bool((step >= 0).mean() >= _MOSTLY and (step > 0).mean() > 0.3)


def _by_ones(column: Sequence[str]) -> bool:
    time = None if len(set(column)) <= _FEW else _times(column)
    return time is not None and bool((np.diff(time) == 1).mean() >= _MOSTLY)


def _times(column: Sequence[str]) -> Float | None:
    """Instants of a column, those of a time of day in s; None where some are none."""
    with suppress(ValueError):
        values = np.array([*map(float, column)])
        return values if np.isfinite(values).all() else None
    if not all(is_number(cell) or is_clock_text(cell) for cell in column):
        return None
    parts = [re.split(r"[T ]", cell.strip().rstrip("Z"))[-1].split(":") for cell in column]
    try:
        return np.array([_seconds(each) for each in parts])
    except ValueError:
        return None


def _seconds(parts: Sequence[str]) -> float:
    """Seconds of hours, minutes and seconds."""
    return sum(float(p.replace(",", ".")) * 60**k for k, p in enumerate(reversed(parts)))


def _levels(words: Sequence[str] | set[str], wide: bool) -> dict[str, bool] | None:
    """Whether each of two words says high; None where they say something else.

    A single one of all pins does not change: it is low or high by what it says.
    """
    every = set(words)
    if not 0 < len(every) <= 4:
        return None
    if all(map(is_number, every)):
        value = {word: float(word) for word in every}
        levels = set(value.values())
        fit = levels <= {0.0, 1.0} if wide else len(levels) == 2 and min(levels) == 0
        return {word: one > 0 for word, one in value.items()} if fit else None
    spoken = {word.lower() for word in every}
    for high, low in _WORDS:
        if spoken <= {high, low} and (wide or len(spoken) == 2):
            return {word: word.lower() == high for word in every}
    return None


def _wide(cells: _Cells, clock: int) -> Levels | None:
    """Rows that hold the level of each pin at their instant, and perhaps what else was measured.

    Beside other numbers a pin must be called the loop's: those may be of a log of loops.
    """
    levels, names, others = [], [], []
    for at, column in enumerate(cells.columns):
        if at == clock or _counts(cells, at):
            continue
        told = _levels(set(column), wide=True)
        if cells.units[at] or not cells.names[at].strip():
            return None
        if told is None:
            others.append(cells.names[at])
            continue
        levels.append(np.array([told[cell] for cell in column], bool))
        names.append(fit_cell(cells.names[at]))
    if not 0 < len(names) <= _MOST_PINS:
        return None
    if others and not any(LOOP_PIN.search(name.lower()) for name in names):
        return None
    high = np.stack(levels, axis=1)
    row, pin = np.nonzero(high[1:] != high[:-1])
    return _made(cells, clock, (row + 1, pin, high[row + 1, pin]), names, others)


def _counts(cells: _Cells, at: int) -> bool:
    """Whether a column is an index of the rows, or says the same in all and names no pin."""
    column = cells.columns[at]
    same = len(set(column)) == 1
    return _by_ones(column) or (same and not cells.tabled) or (
        same and _levels({column[0]}, wide=True) is None
    )  # fmt: skip


def _long(cells: _Cells, clock: int) -> Levels | None:
    """Rows that hold the change of one pin each, with its name and level, or with its level."""
    rest = [at for at in range(len(cells.columns)) if at != clock and not _counts(cells, at)
            and len(set(cells.columns[at])) > 1]  # fmt: skip
    if len(rest) == 1:
        return _one_pin(cells, clock, rest[0])
    if len(rest) != 2:
        return None
    fits = []
    for name, level in permutations(rest):
        told = _levels(set(cells.columns[level]), wide=False)
        if told is None or not 0 < len(set(cells.columns[name])) <= _MOST_PINS:
            continue
        words, pin = np.unique(np.array(cells.columns[name]), return_inverse=True)
        keys: list[str] = words.tolist()
        high = np.array([told[cell] for cell in cells.columns[level]], bool)
        said = bool(_OF_LEVELS.search(cells.names[level]))
        if all(map(is_number, keys)) and not (said and cells.tabled):
            continue
        if _takes_turns(pin, high) and not any(split_unit(key)[1] for key in keys):
            fits.append((said, name, keys, pin, high))
    if not fits:
        return None
    _, name, keys, pin, high = max(fits, key=lambda fit: fit[0])
    if cells.names[name].strip().lower() in LOOP_NUMBERS:
        return None
    names = [fit_cell(_pin_name(cells.names[name], key)) for key in keys]
    return _made(cells, clock, (np.arange(len(pin)), pin, high), names)


def _pin_name(head: str, cell: str) -> str:
    """What a pin is called whose name or number is in a cell.

    Examples
    --------
    >>> _pin_name("Channel", "0"), _pin_name("Channel", "LOOP")
    ('Channel 0', 'LOOP')
    """
    return f"{split_unit(head)[0].strip()} {cell}" if is_number(cell) else cell


def _one_pin(cells: _Cells, clock: int, level: int) -> Levels | None:
    """Lines that name one pin and say its level."""
    told = _levels(set(cells.columns[level]), wide=False)
    if told is None:
        return None
    name = cells.names[level]
    if cells.tabled:  # a pin's name stands in a column of its own, or heads that of its levels
        same = [_pin_name(cells.names[at], column[0]) for at, column in enumerate(cells.columns)
                if at != clock and len(set(column)) == 1]  # fmt: skip
        name = same[0] if len(same) == 1 else ""
    high = np.array([told[cell] for cell in cells.columns[level]], bool)
    pin = np.zeros(len(high), np.int64)
    if not name or not _takes_turns(pin, high):
        return None
    return _made(cells, clock, (np.arange(len(pin)), pin, high), [fit_cell(name)])


def _takes_turns(pin: Int, high: Bool) -> bool:
    """Whether nearly every row of each pin tells another level than its row before."""
    order = np.argsort(pin, kind="stable")
    same = np.diff(pin[order]) == 0
    turned = np.diff(high[order].astype(np.int8)) != 0
    return bool(same.any() and turned[same].mean() >= _CHANGES)


def _made(
    cells: _Cells,
    clock: int,
    changes: tuple[Int, Int, Bool],
    names: list[str],
    others: list[str] | None = None,
) -> Levels | None:
    stamps = [*cells.columns[clock]]
    time = _times(stamps)
    if time is None:
        return None
    row = np.array(cells.line)
    return Levels(row, stamps, time, cells.units[clock], *changes, names, cells.headers, others)
