"""From loops that the log gives one by one, with or without parts, to a canonical run."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Int
from looptime.errors import LogError
from looptime.parsers.layouts.contract import LoopRows, Parsed, Parts
from looptime.run import CallColumns, LoopColumns, MissingLoops, Run, Signals
from looptime.schema import CallName
from looptime.stats.arrays import distinct, median
from looptime.stats.numbering import number_steps

__all__ = ["from_loops", "missing_loops"]

#: Rows from which on their numbers tell what is missing, and the share that must go up as usual.
_ENOUGH, _MOSTLY = 20, 0.7
#: Usual loops that the parts of a first one must be longer than to tell its length.
_LONG = 5
#: A part that is nothing in some loops is long in the others: of its usual length, and in steps.
_PART, _STEPS = 0.2, 20


def from_loops(parsed: Parsed, rows: LoopRows, path: str) -> Run:
    """Build a run from loops in the order of the log.

    Parameters
    ----------
    parsed : Parsed
        What the layout found; rows that cannot be used are added to its `outcast`.
    rows : LoopRows
        Its loops.
    path : str
        The log.

    Returns
    -------
    Run
        Without the books of its rows.

    Raises
    ------
    LogError
        If no whole loop is left.
    """
    rows = _whole(parsed, rows)
    count = len(rows)
    fewest = 3 if parsed.layout == "stamps" else 2  # bare times of two rows are one length
    if not count or (count < 2 and parsed.loops is not None and len(parsed.loops) < fewest):
        raise LogError("holds a single loop: record at least two", path)
    assert rows.period is not None
    if not rows.period.any():
        raise LogError("has the same time in every row: name another column with --columns", path)
    loops = LoopColumns(
        _numbers(rows).astype(np.int64),
        rows.start,
        rows.period,
        rows.body,
        None if rows.phase is None else rows.phase.astype(np.int16),
        tuple(rows.phases),
        parsed.table.line_of(rows.row),
    )
    signals = None
    if rows.signals:
        when = rows.start + rows.period if rows.ended else rows.start
        signals = Signals(when, np.arange(count, dtype=np.int32), dict(rows.signals))
    made = Run(loops, layout=parsed.layout, signals=signals)
    if rows.parts is None or not len(rows.parts.loop):
        return made
    calls, names = _calls(rows, _made(rows.parts))
    return replace(made, call_columns=calls, names=names, thread_names=("main",), loop_thread=0)


def _numbers(rows: LoopRows) -> Int:
    """The loops' numbers as logged, else as their rows are counted, else from 0."""
    if rows.number is not None:
        return rows.number
    count = rows.count
    if count is not None and count[0] >= 0 and bool((count[1:] > count[:-1]).all()):
        return count
    return np.arange(len(rows))


def missing_loops(parsed: Parsed, rows: LoopRows) -> MissingLoops | None:
    """How many loops the numbers of the others pass over, and by which column; None without any.

    A row that stands in the log but could not be used is not missing.
    """
    number = rows.number if rows.number is not None else rows.count
    if number is None or len(number) < _ENOUGH or not rows.numbered:
        return None
    laid = rows.period is not None and np.array_equal(np.diff(rows.start), rows.period[:-1])
    step = number_steps(number, None if laid else rows.start)
    usual = median(step)
    known = (number[1:] >= 0) & (number[:-1] >= 0)
    # a damaged number: the next row goes back to where the others are
    known[:-1] &= (step[1:] >= 0) | (step[:-1] + step[1:] <= 0)
    if usual < 1 or usual % 1 or float((step == usual).mean()) < _MOSTLY:
        return None
    rejects = np.sort(np.asarray(parsed.table.rejects.line, np.int64))
    there = np.diff(np.searchsorted(rejects, parsed.table.line_of(rows.row)))
    there += np.diff(rows.row) - 1
    gone = np.where(known & (step <= int(usual) * len(number)), step // int(usual) - 1 - there, 0)
    count = int(gone[gone > 0].sum())
    return {"count": count, "column": rows.numbered} if count else None


def _whole(parsed: Parsed, rows: LoopRows) -> LoopRows:
    """Only loops whose length is known."""
    if rows.period is not None:
        return rows
    keep = np.ones(len(rows), bool)
    step = np.diff(rows.start).astype(np.int64)
    gone = np.zeros(len(rows), bool) if rows.lost is None else rows.lost.copy()
    gone[-1:] = False
    if rows.ended:  # each loop lasts from the stamp before to its own
        first = _long_first(rows, step)
        if not first:
            keep[:1] = False
            parsed.outcast.add(rows.row[:1], "before first loop")
        gone = np.append(False, gone[:-1])[: len(rows)]
        period = np.append(first, step)[: len(rows)]
        rows = replace(rows, start=rows.start - period)
    else:
        keep[-1:] = False
        parsed.outcast.add(rows.row[-1:], "unfinished last loop")
        period = np.append(step, 0)[: len(rows)]
    keep &= ~gone
    parsed.outcast.add(rows.row[gone], "rows lost around it")
    back = keep & (period < 0)
    keep &= ~back
    parsed.outcast.add(rows.row[back], "corrupt stamp")
    return replace(rows, period=period).take(keep)


def _long_first(rows: LoopRows, step: Int) -> int:
    """Length of a first loop that stands out by its parts, where no stamp says when it began [ns].

    What lies between its parts is taken to be as long as in other loops. Else it is 0: of a loop as
    others are that would be a guess.
    """
    if rows.parts is None or not len(step):
        return 0
    own = np.bincount(rows.parts.loop, rows.parts.self_ns, len(rows))
    usual = median(step)
    return round(own[0] + max(median(step - own[1:]), 0)) if own[0] > _LONG * usual else 0


def _made(parts: Parts) -> Parts:
    """The parts without those of no length that say that the part was not made in that loop.

    So it is where a part is either nothing or long: never shorter than a fifth of its usual length,
    and that many times the smallest step between two lengths of the log.
    """
    lengths = distinct(parts.duration)
    if lengths[0] != 0:
        return parts
    keep = np.ones(len(parts.duration), bool)
    for code in distinct(parts.name[parts.duration == 0]).tolist():
        mine = parts.name == code
        some = parts.duration[mine & (parts.duration > 0)]
        least = max(_PART * median(some), _STEPS * np.diff(lengths).min()) if len(some) else np.inf
        if len(some) and some.min() >= least:
            keep &= ~mine | (parts.duration > 0)
    columns = {k: v if k == "names" else v[keep] for k, v in vars(parts).items()}
    return Parts(**columns)


def _calls(rows: LoopRows, parts: Parts) -> tuple[CallColumns, tuple[CallName, ...]]:
    """Parts as calls of the one thread; a part never starts beyond its loop.

    Where only durations are known the starts are laid out, and parts that add up to more than
    the period must not run into the next loop's.
    """
    assert rows.period is not None
    most = np.maximum(rows.period[parts.loop] - 1, 0)
    start = rows.start[parts.loop] + np.minimum(parts.offset, most)
    used = np.flatnonzero(np.bincount(parts.name, minlength=len(parts.names)))
    code = np.zeros(len(parts.names), np.int32)
    code[used] = np.arange(len(used))
    calls = CallColumns(
        loop=parts.loop.astype(np.int32),
        thread=np.zeros(len(start), np.int16),
        name=code[parts.name],
        start_ns=start,
        duration_ns=parts.duration,
        self_ns=parts.self_ns,
        depth=parts.depth.astype(np.int16),
    )
    named = [(parts.names[at], rows.labels.get(parts.names[at], {})) for at in used]
    return calls, tuple(
        CallName(name, device=said.get("device"), bus=said.get("bus")) for name, said in named
    )
