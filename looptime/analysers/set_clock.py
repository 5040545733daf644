"""A clock that was set while a loop waited: told, and what it added taken out of all times."""

from dataclasses import replace

import numpy as np

from looptime.analysers.basis import Basis, prepare
from looptime.array_types import Bool, Int
from looptime.run import CallColumns, Run
from looptime.stats.arrays import median
from looptime.words import ms

__all__ = ["AS_EVER", "with_clock_undone"]

#: Usual loops, and ms, that a loop must be longer by; how many such loops at most, of how many.
_LONE, _LEAST_MS, _MOST, _FEWEST = 10.0, 50.0, 3, 20
#: Share of the usual wait that a loop waits which is not late.
AS_EVER = 0.8
#: Share of the period from which on a wait tells whether a loop is late.
_LEAST_WAIT = 0.1
#: Share of what a loop is longer by that lies in one place where no call runs.
_IN_ONE = 0.9


def with_clock_undone(run: Run) -> Run:
    """The run without what its clock went on by where it was set.

    So says the log itself, by a line or a second clock; or the loop's own waiting: one that keeps a
    fixed rate and stood still has no time left to wait. If it waited as long as ever, although its
    clock went on by many loops in no timed call, it was in time, or stood still after its wait,
    which is said. It gets the usual period, and everything later is so much earlier.

    Examples
    --------
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.full(100, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(100), np.cumsum(period) - period, period))
    >>> with_clock_undone(run) is run
    True
    """
    period = run.loop_columns.period_ns
    if len(run) < _FEWEST:
        return run
    usual = median(period)
    far = np.flatnonzero((period > _LONE * usual) & (period > usual + _LEAST_MS * 1e6))
    if not 0 < len(far) <= _MOST:
        return run
    basis = prepare(run)
    for k in far.tolist():
        more = int(period[k] - usual)
        jump = _said(run, k)
        since = _since(basis, k, more) if jump or _waited_as_ever(basis, k) else None
        if since is not None:
            run = _earlier(run, k, since, more, jump)
    return run


def _said(run: Run, k: int) -> dict[str, object] | None:
    """Where the log itself says that the clock was set in a loop."""
    line = run.loop_columns.line
    if line is None:
        return None
    last = line[k + 1] if k + 1 < len(line) else line[k]
    return next((jump for jump in run.clock.jumps if jump.get("loop", 0) is None
                 and line[k] <= int(str(jump["line"])) <= last), None)  # fmt: skip


def _waited_as_ever(basis: Basis, k: int) -> bool:
    """Whether a loop that keeps a fixed rate waited as long as usual: by its own clock in time."""
    wait = basis.waits.wait_ns
    if wait is None or not basis.pacing.fixed_rate:
        return False
    usual, period = median(wait), median(basis.run.loop_columns.period_ns)
    gap = 0 if basis.waits.gap_ns is None else int(basis.waits.gap_ns[k])
    return bool(usual > _LEAST_WAIT * period and AS_EVER * usual <= wait[k] - gap <= 2 * usual)


def _since(basis: Basis, k: int, more: int) -> int | None:
    """From when on the clock is ahead in loop `k` [ns]; None where calls share what it took."""
    at, calls = basis.run.loop_columns, basis.run.call_columns
    mine = np.flatnonzero((calls.loop == k) & basis.run.on_loop_thread & (calls.depth == 0))
    end = at.start_ns[k] + at.period_ns[k]
    ends = np.append(at.start_ns[k], calls.start_ns[mine] + calls.duration_ns[mine])
    ends = np.maximum.accumulate(ends)
    gaps = np.append(calls.start_ns[mine], end) - ends
    return int(ends[np.argmax(gaps)]) if gaps.max() >= _IN_ONE * more else None


def _earlier(run: Run, k: int, since: int, more: int, said: dict[str, object] | None) -> Run:
    """The run with loop `k` shorter, and all that comes after an instant earlier, by `more` ns."""
    at = run.loop_columns
    period = at.period_ns.copy()
    period[k] -= more
    body = None if at.body_ns is None else at.body_ns.copy()
    if body is not None and body[k] > more:
        body[k] -= more
    starts = _moved(at.start_ns, since, more)
    loops = replace(at, start_ns=starts, period_ns=period, body_ns=body)
    signals, marks = run.signals, run.marks
    if signals is not None:
        signals = replace(signals, time_ns=_moved(signals.time_ns, since, more))
    if marks is not None:
        marks = replace(marks, time_ns=_moved(marks.time_ns, since, more))
    run = _with_jump(run, k, since, more, said)
    return replace(
        run, loop_columns=loops, call_columns=_calls_earlier(run.call_columns, since, more),
        signals=signals, marks=marks,
    )  # fmt: skip


def _with_jump(run: Run, k: int, since: int, more: int, said: dict[str, object] | None) -> Run:
    """The run with what is to be said of the clock that was set in loop `k`."""
    at = run.loop_columns
    when = f"{(since - int(at.start_ns[0])) / 1e9:.4g} s"
    told = said or {
        "line": None if at.line is None else int(at.line[k]), "size_ns": more, "loop": None,
        "note": f"the clock goes on by {ms(more / 1e6)} in no timed call, and the loop waited for "
        "its next start as long as ever, as none does that is late: the clock was set then, or the "
        "loop stood still after its wait",
    }  # fmt: skip
    jump = {**told, "loop": int(at.loop[k]), "note": f"at {when} {told['note']}"}
    limit = f"without the {ms(more / 1e6)} by which the clock was set at {when}"
    jumps = (*(one for one in run.clock.jumps if one is not said), jump)
    return replace(run, clock=replace(run.clock, jumps=jumps, limits=(*run.clock.limits, limit)))


def _calls_earlier(calls: CallColumns, since: int, more: int) -> CallColumns:
    """Calls after an instant earlier; those of other threads that reach beyond it shorter."""
    over = _reach_beyond(calls, since, more)
    duration, own = calls.duration_ns, calls.self_ns
    if over.any():
        duration, own = duration.astype(np.int64), own.astype(np.int64)
        duration[over] -= more
        own[over & (own > more)] -= more
    return replace(
        calls, start_ns=_moved(calls.start_ns, since, more), duration_ns=duration, self_ns=own
    )


def _reach_beyond(calls: CallColumns, since: int, more: int) -> Bool:
    end = calls.start_ns + calls.duration_ns
    over: Bool = (calls.start_ns < since) & (end > since) & (calls.duration_ns > more)
    return over


def _moved(time: Int, since: int, more: int) -> Int:
    return np.where(time > since, np.maximum(time - more, since), time)
