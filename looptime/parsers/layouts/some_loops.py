"""Rows that stand for some of the loops only, as their loop numbers tell."""

import re
from dataclasses import replace
from itertools import product

import numpy as np

from looptime.array_types import Float, Int
from looptime.errors import LogError
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.judged import Understood, instants
from looptime.parsers.columns.lexicon import names_setting, tokens
from looptime.parsers.layouts.contract import Content, LoopRows
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.schema import ONE_IN
from looptime.units import UNITS, split_unit
from looptime.words import named

__all__ = ["between", "refuse_late_only", "refuse_side_by_side", "refuse_sums", "thinned"]

#: Rows from which on loop numbers are asked; share of the steps that makes a rule; loops a second
#: above which a number counts something else.
_FEW = 5
_ROOM, _MOST_OF_A_ROW = 1.1, 0.5
_MEANS = frozenset(("avg", "mean", "average", "median"))
_EXTREMES = frozenset(("worst", "max", "maximum", "peak", "longest", "slowest"))
_COUNTED = frozenset(
    ("loops", "count", "n", "samples", "iterations", "cycles", "frames", "ticks", "num", "passes")
)
#: Rows of late loops alone, and how far apart they are, in lengths of a loop.
_FEW_LATE, _APART, _ALL_BUT = 10, 3.0, 0.95
#: Late loops come at random: quartiles of the times between them lie so far apart.
_UNEVEN = 3.5
#: What a row says of a loop that came too late.
_LATE = frozenset(("overrun", "overran", "late", "exceeded", "overdue", "overshot"))
#: What a column counts that says how many loops each row holds, and words that may stand beside.
_OF_LOOPS = frozenset(("loops", "passes", "iterations", "cycles"))
_PER_ROW = frozenset(("n", "num", "number", "count", "of", "in", "per", "row", "the", "this"))
#: Share of a step that is left where it is no whole number of loops as long on average.
_PROPORTIONAL = 0.5
#: Pieces of a header that is a range of lengths, and how many such make a histogram.
_PIECE = re.compile(r"\d+(?:[.,]\d+)?|[^\W\d_]+|[<>\u2264\u2265+]")
_RANGE_WORDS = frozenset((
    "lt", "le", "gt", "ge", "under", "over", "above", "below", "up", "from", "to", "less", "more",
    "than", "inf", "bin", "bucket", "<", ">", "\u2264", "\u2265", "+",
    "bis", "von", "unter", "ab", "de", "a", "hasta", "menos", "mas",
))  # fmt: skip
_RANGES = 3
#: Words beside those of a mean, and how many lengths of a loop lie in a row that is one.
_OF_LOOP = frozenset(("loop", "loops", "cycle", "period", "dt", "time", "iteration"))
_SUMMED = 3.0
_RATIOS = (1e-9, 1e-6, 1e-3, 1.0)
#: Share of the rows after which number and clock must go on.
_ONWARD = 0.5
_ENOUGH, _MOSTLY, _SELDOM, _FASTEST = 20, 0.9, 0.2, 50_000.0


def between(number: Int, time: Int, length: Int | None, path: str) -> int:
    """How many loops pass from a row to the next: 1, or N where every Nth loop is logged.

    Parameters
    ----------
    number : int array, shape (n,)
        Loop numbers as logged.
    time : int64 array, shape (n,) [ns]
        When.
    length : int64 array, shape (n,) [ns], or None
        How long each took, where the log says.
    path : str
        The log, for messages.

    Raises
    ------
    LogError
        If hardly two rows are of loops that follow one another, and no rule is seen.

    Examples
    --------
    >>> row = np.arange(30)
    >>> between(row, 20_000_000 * row, None, ""), between(10 * row, 200_000_000 * row, None, "")
    (1, 10)
    """
    step, passed = np.diff(number.astype(np.int64)), np.diff(time)
    forward = (step > 0) & (passed > 0)
    if len(step) and forward.mean() < _ONWARD:  # rows in no order
        return 1
    step, passed = step[forward], passed[forward]
    if len(step) < _ENOUGH or (step == 1).mean() >= _SELDOM:
        return 1
    usual = int(np.median(step))
    rate = 1e9 * float(step.sum()) / float(passed.sum())
    if rate > _FASTEST:  # no loops, ticks of a processor
        return 1
    row_ns, loop_ns = float(np.median(passed)), 0.0 if length is None else float(np.median(length))
    if (step == usual).mean() >= _MOSTLY:  # no loop is longer than the time there is for it
        return usual if loop_ns <= _ROOM * row_ns / usual else 1
    if loop_ns > _MOST_OF_A_ROW * row_ns:  # the rows adjoin
        return 1
    low, high = (int(q) for q in np.quantile(step, [0.05, 0.95]))
    raise LogError(
        f"holds {len(number):,} of {int(step.sum()) + 1:,} loops, {low} to {high} loops apart, as "
        "where only slow loops are logged: a loop takes "
        f"{1e3 / rate:.4g} ms on average ({rate:.3g} a second), and nothing is known of those that "
        "are missing; log every loop, or one in so many",
        path,
    )


def refuse_sums(known: Understood, dialect: Dialect) -> None:
    """Refuse rows that sum up many loops each: how many, and the mean of each.

    Raises
    ------
    LogError
        If a column counts the loops of each row: times their mean it fills the step of the clock,
        or the steps are longer in proportion; if several do by how long they took; or if, without
        a clock, a row has a mean and what was longest.
    """
    clock = known.one.get("time")
    heads = [head for head, _ in known.roles]
    lengths = [h.text for h in heads if _of_a_range(h.text) and _whole(numbers(dialect, h.index))]
    if len(lengths) >= _RANGES:
        raise LogError(
            f"each row counts loops by how long they took ({named(lengths, 3)}), so nothing is "
            "known of single loops: log a row for each",
        )
    means = [h for h in heads if _MEANS & set(tokens(h.text))]
    counts = [h for h in heads if _COUNTED & set(tokens(h.text)) and not split_unit(h.text)[1]]
    extremes = [h for h in heads if _EXTREMES & set(tokens(h.text))
                and not _so_far(numbers(dialect, h.index))]  # fmt: skip
    if clock is None and len(means) == len(extremes) == 1:
        raise LogError(
            f"each row sums up many loops ({means[0].text!r} beside {extremes[0].text!r}), so "
            "nothing is known of single loops: log a row for each",
        )
    if clock is None or not (counts or means):
        return
    steps = np.diff(numbers(dialect, clock.index))
    for mean, longest in product(means, extremes):
        if (times := _beside_longest(mean, longest, clock, steps, dialect)) > 0:
            raise LogError(
                f"each row sums up many loops ({mean.text!r} beside {longest.text!r}, about "
                f"{times:.3g} times in a row), so nothing is known of single loops: log a row for "
                "each",
            )
    if any(role.taken_as in ("part", "whole") for _, role in known.roles):
        for many in (head for head in counts if _in_proportion(head, steps, dialect)):
            usual = np.nanmedian(numbers(dialect, many.index))
            raise LogError(
                f"each row sums up several loops ({many.text!r}: {usual:.4g} as a rule), so "
                "nothing is known of single loops: log a row for each, or read the rows for loops "
                "all the same with --layout costs",
            )
    for mean, many in product(means, counts):
        value, count = numbers(dialect, mean.index), numbers(dialect, many.index)
        whole = np.isfinite(count) & (count >= 2) & (count == np.rint(count))
        if len(count) < _FEW or whole.mean() < _MOSTLY or (np.diff(count) > 0).all():
            continue
        filled = value * count
        if not np.isfinite(filled).any() or not np.isfinite(steps).any():
            continue
        onward = steps[steps > 0]
        if not len(onward):
            continue
        beside = len(count) / (len(onward) + 1)  # rows of one instant, as of a part each
        of_step = float(np.nanmedian(filled)) * beside / float(np.median(onward))
        units = [_ratio(mean.unit, clock.unit)] if mean.unit and clock.unit else _RATIOS
        if any(0.2 < of_step * ratio < 1.2 for ratio in units):
            raise LogError(
                f"each row sums up many loops ({many.text!r}: {np.nanmedian(count):.4g} as a rule, "
                f"with {mean.text!r}), so nothing is known of single loops: log a row for each, or "
                "read the rows for loops all the same with --layout stamps",
            )


def _beside_longest(
    mean: Head, longest: Head, clock: Head, steps: Float, dialect: Dialect
) -> float:
    """How many times the mean of a row's loops goes into the step to the next row; 0 if it is none.

    Both are named for nothing else, and what is called the longest is never less than the mean.
    """
    told = tokens(mean.text), tokens(longest.text)
    if not (set(told[0]) <= _MEANS | _OF_LOOP and set(told[1]) <= _EXTREMES | _OF_LOOP):
        return 0.0
    if not mean.unit or mean.unit != longest.unit or not clock.unit:
        return 0.0
    value, most = numbers(dialect, mean.index), numbers(dialect, longest.index)
    known = np.isfinite(value) & np.isfinite(most)
    onward = steps[steps > 0]
    if known.sum() < _FEW or not len(onward) or (most < value)[known].any():
        return 0.0
    usual = float(np.median(value[known])) * _ratio(mean.unit, clock.unit)
    times = float(np.median(onward)) / usual if usual > 0 else 0.0
    return times if times >= _SUMMED else 0.0


def _of_a_range(text: str) -> bool:
    """Whether a header is a range of lengths and nothing else.

    Examples
    --------
    >>> [_of_a_range(text) for text in ("<5 ms", "5..10", "10 - 20 ms", "bin_20_inf", "lt5", "20+")]
    [True, True, True, True, True, True]
    >>> [_of_a_range(text) for text in ("5 ms", "imu < 5", "2026-11-30", "-5", "7")]
    [False, False, False, False, False]
    """
    pieces = _PIECE.findall(split_unit(text)[0].lower())
    edges = [piece for piece in pieces if piece[0].isdigit()]
    words = set(pieces) - set(edges) - set(UNITS)
    return words <= _RANGE_WORDS and (len(edges) == 2 or (len(edges) == 1 and bool(words)))


def _whole(values: Float) -> bool:
    known = values[np.isfinite(values)]
    return bool(len(known) and (known >= 0).all() and (known == np.rint(known)).all())


def _so_far(longest: Float) -> bool:
    """Whether a longest time is that of the whole run so far: it never falls, and seldom rises."""
    known = longest[np.isfinite(longest)]
    steps = np.diff(known)
    return len(known) >= _ENOUGH and not (steps < 0).any() and bool((steps > 0).mean() < _SELDOM)


def _in_proportion(head: Head, steps: Float, dialect: Dialect) -> bool:
    """Whether a column says how many loops each row holds, and the clock's steps go with it.

    They do for the row's own number or for that of the row before. One number in all rows is
    believed where the name says nothing but loops.
    """
    said, count = set(tokens(head.text)), numbers(dialect, head.index)
    if not said & _OF_LOOPS or not said <= _OF_LOOPS | _PER_ROW or len(count) < _ENOUGH:
        return False
    if not ((count >= 2) & (count == np.rint(count))).mean() >= _MOSTLY:
        return False
    if np.ptp(count) == 0:
        return said == {"loops"}
    for of_step in (count[:-1], count[1:]):
        good = np.isfinite(of_step) & (of_step > 0) & (steps > 0)
        each, step = steps[good] / of_step[good], steps[good]
        low, high = np.quantile(each, [0.25, 0.75])
        least, most = np.quantile(step, [0.25, 0.75])
        if most > least and (high - low) / np.median(each) < _PROPORTIONAL * (
            most - least
        ) / np.median(step):
            return True
    return False


def refuse_late_only(known: Understood, dialect: Dialect) -> None:
    """Refuse rows that were written only where a loop took longer than its limit.

    Raises
    ------
    LogError
        If nearly all lengths of a column are above a limit beside them, or its name says so of all,
        and the rows are further apart than that.
    """
    clock = known.one.get("time")
    if clock is None:
        return
    limits = [head for head, _ in known.roles if names_setting(head.text)]
    lengths = [head for head, _ in known.roles if head.unit and head not in limits]
    named = [(head, None) for head in lengths if _LATE & set(tokens(head.text))]
    for head, limit in [*product(lengths, limits), *named]:
        unit = UNITS[head.unit or ""]
        took = numbers(dialect, head.index) * unit
        most = np.zeros(1) if limit is None else numbers(dialect, limit.index)
        most = most * (UNITS[limit.unit] if limit is not None and limit.unit else unit)
        if len(took) < _FEW_LATE or (took > most).mean() < _ALL_BUT or np.ptp(most) > 0:
            continue
        usual = float(np.median(took))
        apart = [step[np.isfinite(step)] for step in map(np.diff, instants(dialect, clock))]
        if not all(map(len, apart)):
            continue
        steps = [float(np.median(one)) / usual for one in apart]
        low, high = np.quantile(apart[0], [0.25, 0.75])
        if limit is None and high < _UNEVEN * low:  # how late each loop of a paced one began
            continue
        if any(0.5 < step < _APART for step in steps) or max(steps) < _APART:
            continue
        limit_said = "it should" if limit is None else f"{most[0] / 1e6:.4g} ms"
        raise LogError(
            f"every row says of a loop that it took longer than {limit_said} "
            f"({head.text!r}: {usual / 1e6:.3g} ms as a rule), and they are far apart: it holds "
            "late loops only, so neither the rate nor what is usual can be told; log every loop, "
            "or take each row for one with --layout stamps",
        )


def _ratio(unit: str, clock: str) -> float:
    return UNITS[unit] / UNITS[clock]


def thinned(content: Content, rows: LoopRows, number: Int, every: int) -> LoopRows:
    """Loops of which one in `every` is logged, each with the mean length of those up to the next.

    Parameters
    ----------
    content : Content
        Whose rows are not used is added to its `outcast`.
    rows : LoopRows
        With the instants of the rows.
    number : int array, shape (n,)
        Their loop numbers.
    every : int
        As `between` tells.
    """
    whole = np.append(np.diff(number.astype(np.int64)) == every, False)
    period = np.append(np.diff(rows.start), 0) // every
    content.outcast.add(rows.row[-1:], "unfinished last loop")
    content.outcast.add(rows.row[:-1][~whole[:-1]], "rows lost around it")
    said = f"the rows, {ONE_IN} {every}"
    return replace(rows, period=period, lost=None, said=said).take(whole)


def refuse_side_by_side(known: Understood, dialect: Dialect) -> None:
    """Refuse loops whose last instants mostly lie beyond the start of the next: those of two logs.

    Raises
    ------
    LogError
        If many rows begin before the one before has ended, and hardly any before the one before
        that.
    """
    clock = known.one.get("time")
    ends = [head for head, role in known.roles if role.taken_as == "run timer" and head.unit]
    if clock is None or len(ends) < 2 or any(head.unit != clock.unit for head in ends):
        return
    begin = numbers(dialect, clock.index)
    end = np.max([numbers(dialect, head.index) for head in ends], axis=0)
    if len(begin) < _ENOUGH or not (end >= begin).mean() >= _MOSTLY:
        return
    many = (end[:-1] > begin[1:]).mean() > _SELDOM and (np.diff(begin) > 0).mean() > _MOSTLY
    if many and (end[:-2] <= begin[2:]).mean() > _MOSTLY:
        raise LogError(
            f"many rows begin before the one before has ended ({ends[-1].text!r}), as where 2 logs "
            "stand line by line: take them apart"
        )
