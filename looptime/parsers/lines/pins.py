"""Calls of a recording of pins, which are high or low while the robot's code is at something."""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.evidence import scatter
from looptime.parsers.lines.grid import Grid
from looptime.parsers.lines.pin_rows import LOOP_PIN, Levels, read_levels
from looptime.parsers.lines.pin_senses import (
    Pin,
    cut_across,
    find_senses,
    pairs_of,
    spans_of,
    stretches,
)
from looptime.parsers.lines.pin_texts import (
    ROWS,
    doubt,
    in_turns,
    length_of,
    listed,
    notes_of,
    rows_or_pins,
)
from looptime.parsers.text.dialect import Dialect
from looptime.units import UNITS

__all__ = ["calls_of_pins"]

#: One that is called a pin, whatever is on it.
_PIN = re.compile(
    r"^(channel|chan|ch|pin|gpio|dio|din|di|do|d|bit|probe|line|input|p[a-h])[ _.-]*\d+$"
)
#: Loops that tell, and rises up to which a pin tells none.
_LOOPS = 10
#: How unlike the loops of pins that none is called the loop's are at most.
_EVEN = 0.6
#: Share of the loops in which a pin that goes with them rises once.
_ONCE = 0.9
#: How much longer one level is than the other where a pin is not written inverted once a loop.
_NEARLY, _ALIKE, _DOUBTFUL = 1.05, 1.5, 4.0
#: How much longer where the other level is a mere mark between two loops.
_MARK = 50.0
#: Samples a loop has at least, how unlike their steps are at most, and the longest step [ns].
_SAMPLES, _STEPS, _LONGEST = 4, 0.2, 2e6
#: Steps [ns] up to which rows with levels alone are no loops, and from which rows may be some.
_NO_LOOP, _MAY_BE_LOOP = 5e5, 4.5e5
#: Samples of the shorter level of the loop's pin from which on none is missed.
_SEEN = 3
#: Lines at the begin, in the middle and at the end that tell whether all need be looked at.
_LINES = 250
#: A name of the loop's pin that may be that of a state.
_STATE = re.compile(r"(active|busy|running)$")


def calls_of_pins(
    first: Sequence[str],
    every: Callable[[], list[str]],
    like: Dialect | None,
    sided: Callable[[], bool],
    timed: Callable[[], bool],
) -> tuple[Grid | None, str]:
    """Calls of a log that holds the levels of pins, and what is to be said; no grid of other logs.

    A pin's level changes from row to row of its own, or it was sampled evenly and far more often
    than it changes. One is called the loop's, or several come in the same order again and again.

    Parameters
    ----------
    first : sequence of str
        The first lines.
    every : function
        All lines.
    like : Dialect or None
        How they are written, if they are a table.
    sided : function
        Whether its words say what begins and ends: it is left as it is where high is on.
    timed : function
        Whether it is a table of calls, or of begins and ends, as it stands.
    """
    if read_levels(first, like) is None:
        return None, ""
    lines = every()
    if all(map(_is_left, _parts(lines, like))):
        return None, ""
    told = read_levels(lines, like)
    if told is None or len(told.change) < 2 * _LOOPS:
        return None, ""
    step = _sampled(told)
    if _are_rows(told, step):
        return None, ""
    pins = _pins(told)
    loop, said = _understood(pins, told, step)
    if loop is None:
        if not said:
            _refuse(pins, told, step, timed())
        return None, said
    plain = not any(pin.inverted or pin.toggled for pin in pins)
    if plain and sided():
        return None, ""
    return _as_grid(lines, told, _without_states(pins, loop, told), loop, step), said


def _parts(lines: list[str], like: Dialect | None) -> Iterator[Levels | None]:
    """The levels of a log's begin, middle and end; none of one that is hardly longer."""
    if len(lines) < 8 * _LINES:
        yield None
        return
    for begin in (0, len(lines) // 2, len(lines) - _LINES):
        yield read_levels(lines[begin : begin + _LINES], like)


def _is_left(told: Levels | None) -> bool:
    """Whether levels tell no calls: rows are loops, or hold one that is called no pin."""
    if told is None:
        return False
    step = _sampled(told)
    if _are_rows(told, step):
        return True
    often = np.bincount(told.pin, minlength=len(told.names)) >= 2 * _LOOPS
    names = [name for name, yes in zip(told.names, often.tolist(), strict=True) if yes]
    may_be = any(map(_is_loop, told.names)) or any(_PIN.search(name.lower()) for name in names)
    return step is None and len(names) == 1 and not may_be


def _is_loop(name: str) -> bool:
    return bool(LOOP_PIN.search(name.lower()))


def _are_rows(told: Levels, step: float | None) -> bool:
    """Whether levels of all pins are neither samples nor written when they change."""
    return told.wide and step is None and bool(told.others or not _on_change(told))


def _sampled(told: Levels) -> float | None:
    """The step of evenly sampled levels; None where rows are those of changes, or neither."""
    if not told.wide:
        return None
    step = np.diff(told.time)
    changed = len(np.unique(told.change)) / max(len(told.row) - 1, 1)
    if scatter(step) > _STEPS or changed > 0.5:
        return None
    usual = float(np.median(step))
    unit = UNITS[told.unit] if told.unit else 1.0
    return usual if usual * unit <= _LONGEST else None


def _on_change(told: Levels) -> bool:
    """Whether nearly every row but the first holds a change, and not of one pin beside others.

    What is written inverted in each row is so in each loop.
    """
    often = np.bincount(told.pin, minlength=len(told.names))
    alone = np.count_nonzero(often >= 2 * _LOOPS) == 1
    every = len(np.unique(told.change)) >= 0.95 * (len(told.row) - 1) - 2
    return every and (alone or bool(often.max(initial=0) < _ONCE * len(told.row)))


def _refuse(pins: list[Pin], told: Levels, step: float | None, timed: bool) -> None:
    """Refuse levels whose rows are no loops, where none of them tells where a loop begins."""
    often = [pin.name for pin in pins if min(len(pin.high), len(pin.low)) >= _LOOPS]
    if step is not None:
        unit = UNITS[told.unit] if told.unit else np.inf
        no_loops = bool(often) and bool(step * unit <= _NO_LOOP)
        what = f"may be of pins sampled each {length_of(step, told)} ({listed(often)}), but"
    else:
        no_loops = len(often) > 1 and not (timed or _in_turn(told)) and bool(told.headers)
        what = f"may be of pins recorded when they change ({listed(often)}), but"
    if no_loops:
        raise LogError(
            f"holds levels that {what} none tells where a loop begins, or each row is a loop: call "
            f"the one that goes round once a loop 'loop', or say {ROWS}"
        )


def _in_turn(told: Levels) -> bool:
    """Whether rows name one after the other in ever the same order, as values of each loop do."""
    if told.wide:
        return False
    follows = Counter(pairwise(told.pin.tolist()))
    best: Counter[int] = Counter()
    for (one, _), count in follows.items():
        best[one] = max(best[one], count)
    return best.total() >= _ONCE * (len(told.pin) - 1)


def _pins(told: Levels) -> list[Pin]:
    """The pins whose level changes."""
    found = []
    for code, name in enumerate(told.names):
        mine = told.pin == code
        if told.wide or mine.sum() > 1:
            found.append(Pin(name, np.flatnonzero(mine & told.high),
                              np.flatnonzero(mine & ~told.high)))  # fmt: skip
    return [pin for pin in found if len(pin.high) and len(pin.low)]


def _understood(pins: list[Pin], told: Levels, step: float | None) -> tuple[Pin | None, str]:
    """The pin that tells the loops, once each has its sense; None where none does, and why."""
    at = told.time[told.change]
    often = [pin for pin in pins if min(len(pin.high), len(pin.low)) >= _LOOPS]
    called = [pin for pin in often if _is_loop(pin.name)]
    if not often:
        return None, ""
    alone = len(often) == 1
    loop = max(called, key=lambda pin: len(pin.high), default=None)
    if loop is None and alone and _PIN.search(often[0].name.lower()):
        loop = often[0]
    if loop is None and alone:
        return None, ""
    find_senses(often, loop, at)
    if loop is None:
        loop = _outermost(often, at)
        if not any(_goes_with(pin, loop.begins(), at) for pin in often if pin is not loop):
            return None, ""
        if cut_across(often, at) or scatter(np.diff(at[loop.begins()])) > _EVEN:
            return None, ""
        if _same(loop, at):  # written inverted at each loop, as the others
            return None, ""
        if step is not None and told.unit is None:
            return None, ""
    return _checked(loop, [pin for pin in often if pin is not loop], told, step)


def _checked(
    loop: Pin, others: list[Pin], told: Levels, step: float | None
) -> tuple[Pin | None, str]:
    """The pin of the loop, if its levels may be those of one; and what remains in doubt."""
    at = told.time[told.change]
    up, down = stretches(loop, at)
    ratio = max(up, down) / max(min(up, down), 1e-12)
    halves = np.sort(np.concatenate([loop.high, loop.low]))
    in_each = [pin for pin in others if _goes_with(pin, halves, at)]
    in_two = [pin for pin in others if _goes_with(pin, loop.begins(), at)]
    said = ""
    if in_each and not in_two and ratio < _ALIKE:
        loop.toggled = True
    elif not in_two and ratio < _DOUBTFUL:
        loop.toggled = ratio < _ALIKE and (_same(loop, at) or ratio < _NEARLY)
        said = doubt(loop)
        if loop.toggled and not others and step is None:
            return None, said  # each row is a loop as it stands
    if told.wide and step is None and not others and ratio < _MARK:
        raise LogError(in_turns(loop, up, down, told))
    periods = np.diff(at[loop.begins()])
    if step is not None:
        usual = float(np.median(periods))
        rounds = usual >= _SAMPLES * step and scatter(periods) <= 2 * _EVEN
        if rounds and _may_be_loops(told, step) and (
            told.others or not _is_sure(loop, bool(in_two))
        ):  # fmt: skip
            raise LogError(rows_or_pins(loop, usual, told, step))
        coarse = _coarse(loop, min(up, down), periods, step)
        if not rounds:
            return None, ""
        said = said or _two_in_one(loop, in_two, at) or coarse
    return loop, said


def _same(pin: Pin, at: Float) -> bool:
    """Whether how long it is high cannot be told from how long it is low."""
    both = np.sort(np.concatenate([pin.high, pin.low]))
    length, high = np.diff(at[both]), np.isin(both[:-1], pin.high)
    up, down = length[high], length[~high]
    error = float(np.hypot(up.std() / np.sqrt(len(up)), down.std() / np.sqrt(len(down))))
    return abs(up.mean() - down.mean()) <= 3 * max(error, 1e-3 * float(length.mean()))


def _may_be_loops(told: Levels, step: float) -> bool:
    """Whether rows so far apart may be loops themselves."""
    return told.unit is None or step * UNITS[told.unit] >= _MAY_BE_LOOP


def _is_sure(loop: Pin, holds_others: bool) -> bool:
    """Whether a pin is the loop's by its name, or by that and what is done once in each loop."""
    return _is_loop(loop.name) and (holds_others or not _STATE.search(loop.name.lower()))


def _coarse(loop: Pin, short: float, periods: Float, step: float) -> str:
    """What is said where samples are as far apart as a level of the loop's pin is short."""
    if short >= _SEEN * step:
        return ""
    doubled = float((periods > 1.6 * np.median(periods)).mean())
    if short < 2 * step and doubled > 0.02:
        raise LogError(
            f"samples of {loop.name!r} are too far apart: one level of it is shorter than two of "
            f"them, so some loops are seen as one ({doubled:.0%} are twice as long as the rest). "
            "Sample several times as often, or record each change"
        )
    return (
        f"{loop.name!r} is at one level for less than {_SEEN} samples as a rule: where that is "
        "shorter than one sample, two loops are seen as one; sample more often"
    )


def _two_in_one(loop: Pin, once: list[Pin], at: Float) -> str:
    """What is said where pins that rise once a loop rise twice in some: a change was missed."""
    mark = at[loop.begins()]
    every = [np.diff(np.searchsorted(at[pin.begins()], mark)) > 1 for pin in once]
    count = int(np.any(every, axis=0).sum()) if every else 0
    if not count:
        return ""
    return (
        f"{count:,} of {len(mark):,} loops hold two rises of a pin that rises once in the others: "
        f"{loop.name!r} was between two samples there, and two loops are seen as one; sample more "
        "often"
    )


def _outermost(pins: list[Pin], at: Float) -> Pin:
    """The pin that may begin the loop: the longest of those that rise most often."""
    most = max(len(pin.begins()) for pin in pins)
    mine = [pin for pin in pins if len(pin.begins()) >= 0.9 * most]

    def length(pin: Pin) -> float:
        begin, end = spans_of(pin, at)
        return float(np.median(end - begin))

    return max(mine, key=length)


def _goes_with(pin: Pin, begins: Int, at: Float) -> bool:
    """Whether a pin begins once between nearly any two of these begins."""
    mark, mine = at[np.sort(begins)], at[pin.begins()]
    count = np.diff(np.searchsorted(mine, mark))
    return len(count) > 1 and bool((count == 1).mean() >= _ONCE)


def _without_states(pins: list[Pin], loop: Pin, told: Levels) -> list[Pin]:
    """Pins without those that are on for several loops, at one level or the other: states."""
    at = told.time[told.change]
    mark = at[loop.begins()]
    kept = []
    for pin in pins:
        begin, end = spans_of(pin, at)
        passes = np.diff(np.searchsorted(mark, np.stack([begin, end])), axis=0)
        if pin is loop or (len(begin) and np.median(passes) <= 1):
            kept.append(pin)
    return kept


def _as_grid(
    lines: list[str], told: Levels, pins: list[Pin], loop: Pin, step: float | None
) -> Grid:
    """Calls, each on the line of its begin or on a free one after that."""
    grid = Grid(lines, [None] * len(lines), ["start", "end", "name"])
    grid.units = [told.unit, told.unit, None]
    grid.headers |= told.headers
    calls = [(begin, end, pin.name) for pin in pins
             for begin, end in zip(*(told.change[side].tolist() for side in pairs_of(pin)),
                                   strict=True)]  # fmt: skip
    last, end = len(told.row) - 1, loop.begins()[-1]
    if loop.toggled or end > (loop.ends()[-1] if len(loop.ends()) else -1):  # under way
        calls.append((int(told.change[end]), last, loop.name))
    calls.sort(key=lambda call: (call[0], -call[1]))
    places = _places([begin for begin, _, _ in calls], len(told.row))
    for place, (begin, end, name) in zip(places, calls, strict=True):
        line = int(told.row[place])
        grid.rows[line] = [told.stamp[begin], told.stamp[end], name]
    head = -1
    for line in told.row.tolist():
        if grid.rows[line] is not None:
            head = line
        elif head < 0:
            grid.aside.append((line, "before first loop"))
        else:
            grid.folded.append((line, head))
    grid.notes += notes_of(told, pins, loop, step)
    return grid


def _places(wanted: list[int], rows: int) -> list[int]:
    """A row of its own for each of rising rows: itself or the next that is free.

    Examples
    --------
    >>> _places([1, 1, 1, 4], 6), _places([3, 5, 5], 6)
    ([1, 2, 3, 4], [3, 4, 5])
    """
    made, free = [], 0
    for place in wanted:
        free = max(free, place)
        made.append(free)
        free += 1
    for at in range(len(made) - 1, -1, -1):  # those beyond the last row move up
        most = (made[at + 1] if at + 1 < len(made) else rows) - 1
        if made[at] <= most:
            break
        made[at] = most
    if made and made[0] < 0:
        raise LogError("holds more changes of pins than rows: write a row for each change")
    return made
