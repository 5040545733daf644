"""Runs built in memory, for tests: plain and slow on purpose, so that it is easily seen right."""

from collections.abc import Callable, Iterable, Mapping, Sequence

import numpy as np

from looptime.run import CallColumns, Clock, LoopColumns, MarkColumns, Run, Signals
from looptime.schema import CallName

__all__ = ["call_names", "make_flat_run", "make_run", "slow_at_first"]

Call = tuple  # (name, offset_ms, duration_ms) or (name, offset_ms, duration_ms, thread)


def make_run(
    periods_ms: Sequence[float],
    calls: Iterable[Call] | Callable[[int], Iterable[Call]] = (),
    names: Mapping[str, str | Mapping[str, object]] | None = None,
    *,
    loop_thread: str = "main",
    phases: Sequence[str] | None = None,
    body_ms: Sequence[float] | None = None,
    marks: Iterable[tuple] = (),
    signals: Mapping[str, Sequence[float]] | None = None,
    cpu_share: Mapping[str, float] | None = None,
    tick_ns: int = 1,
    source: str = "",
) -> Run:
    """A run from periods and, for each loop, its calls.

    Parameters
    ----------
    periods_ms : sequence of float, shape (n,) [ms]
        Start to start.
    calls : list of (name, offset_ms, duration_ms[, thread]), or a function of the loop's index
        Offsets count from the loop's start. A list is used for every loop. Calls on one thread
        nest where one lies inside another; a call may run on into later loops.
    names : dict
        Kind of each name, or a dict of `looptime.schema.CallName` fields.
    loop_thread : str
        Name of the thread of the calls that name none.
    phases : sequence of str, shape (n,)
        Phase of each loop.
    body_ms : sequence of float, shape (n,) [ms]
        Length of the row that encloses each loop.
    marks : list of (time_ms, name, "published" or "used"[, thread])
        Times count from the start of the run.
    signals : dict of str to one value a loop
        Logged at each loop's start.
    cpu_share : dict of str to float
        Processor time of each call by its name, as a share of its duration.
    tick_ns : int [ns]
        Step of the clock.
    source : str
        Where the run is said to come from.

    Returns
    -------
    Run

    Examples
    --------
    >>> run = make_run([10, 10], [("update", 0, 6), ("gyro.read", 1, 4)])
    >>> run.calls["self_ns"].tolist()
    [2000000, 4000000, 2000000, 4000000]
    >>> run.unattributed_ns().tolist()
    [4000000, 4000000]
    """
    period = np.array([round(p * 1e6) for p in periods_ms], dtype=np.int64)
    start = np.concatenate([[0], np.cumsum(period)[:-1]]).astype(np.int64)[: len(period)]
    of_loop = calls if callable(calls) else (lambda _, rows=tuple(calls): rows)
    rows = []
    for k in range(len(period)):
        for name, offset_ms, duration_ms, *thread in of_loop(k):
            begin = int(start[k]) + round(offset_ms * 1e6)
            rows.append(
                (thread[0] if thread else loop_thread, begin, round(duration_ms * 1e6), name)
            )
    marks = [(m[0], m[1], m[2], m[3] if len(m) > 3 else loop_thread) for m in marks]
    call_list = sorted({r[3] for r in rows} | {m[1] for m in marks})
    threads = [loop_thread, *sorted({r[0] for r in rows} | {m[3] for m in marks} - {loop_thread})]
    threads = list(dict.fromkeys(threads))
    columns = _call_columns(rows, call_list, threads, start, period, cpu_share or {})
    phase_names = tuple(dict.fromkeys(phases)) if phases is not None else ()
    body = None if body_ms is None else np.array([round(b * 1e6) for b in body_ms], np.int64)
    return Run(
        LoopColumns(
            np.arange(len(period)),
            start,
            period,
            body,
            None if phases is None else np.array([phase_names.index(p) for p in phases], np.int16),
            phase_names,
        ),
        columns,
        call_names(call_list, names or {}),
        tuple(threads),
        loop_thread=0 if rows else -1,
        layout="calls" if rows else "stamps",
        source=source,
        rows_read=len(rows) or len(period),
        rows_used=len(rows) or len(period),
        clock=Clock(tick_ns=tick_ns),
        marks=_mark_columns(marks, call_list, threads, start) if marks else None,
        signals=None if signals is None else _signals(signals, start),
    )


def make_flat_run(
    period_ns: np.ndarray,
    calls: Mapping[str, np.ndarray] | None = None,
    names: Mapping[str, str | Mapping[str, object]] | None = None,
    *,
    tick_ns: int = 1,
    source: str = "",
) -> Run:
    """A run whose calls follow one another within each loop, none nested: fast, for many loops.

    Parameters
    ----------
    period_ns : int array, shape (n,) [ns]
        Start to start.
    calls : dict of str to int array, shape (n,) [ns]
        Duration of each call in each loop, in the order in which they are made; a negative
        duration says that the call is not made in that loop.
    names, tick_ns, source
        As for `make_run`.

    Examples
    --------
    >>> run = make_flat_run(np.array([10, 12]), {"a": np.array([4, 5]), "b": np.array([-1, 6])})
    >>> run.call_columns.start_ns.tolist()
    [0, 10, 15]
    """
    calls = calls or {}
    period = np.asarray(period_ns, np.int64)
    start = np.cumsum(period) - period
    table = np.array([np.asarray(c, np.int64) for c in calls.values()])
    table = table.reshape(len(calls), len(period)).T
    made = table >= 0
    spent = np.where(made, table, 0)
    begin = start[:, None] + np.cumsum(spent, axis=1) - spent
    loop, code = np.nonzero(made)
    return Run(
        LoopColumns(np.arange(len(period)), start, period),
        CallColumns(
            loop=loop.astype(np.int32),
            thread=np.zeros(len(loop), np.int16),
            name=code.astype(np.int32),
            start_ns=begin[made],
            duration_ns=table[made],
            self_ns=table[made],
            depth=np.zeros(len(loop), np.int16),
        ),
        call_names(list(calls), names or {}),
        ("main",),
        loop_thread=0 if calls else -1,
        layout="calls" if calls else "stamps",
        source=source,
        rows_read=len(loop) or len(period),
        rows_used=len(loop) or len(period),
        clock=Clock(tick_ns=tick_ns),
    )


def call_names(
    order: Sequence[str], names: Mapping[str, str | Mapping[str, object]]
) -> tuple[CallName, ...]:
    """`CallName` records in the order given, from kinds or dicts of fields."""
    made = []
    for name in order:
        fields = names.get(name, {})
        fields = {"kind": fields} if isinstance(fields, str) else dict(fields)
        if fields:
            fields.setdefault("kind_from", "project")
        made.append(CallName(name, **fields))  # type: ignore[arg-type]
    return tuple(made)


def _call_columns(rows, call_list, threads, start, period, cpu_share) -> CallColumns:
    if not rows:
        return CallColumns.empty()
    order = {t: i for i, t in enumerate(threads)}
    rows = sorted(rows, key=lambda r: (order[r[0]], r[1], -r[2]))
    parent, depth = _nest(rows)
    pieces = [_own_segments(i, rows, parent) for i in range(len(rows))]
    loop = [int(np.searchsorted(start, r[1], side="right")) - 1 for r in rows]
    spill = []
    for i, segments in enumerate(pieces):
        if rows[i][0] == threads[0]:
            spill += [(i, k, ns) for k, ns in _by_loop(segments, start, period) if k != loop[i]]
    own = [sum(b - a for a, b in s) for s in pieces]
    cpu = [round(r[2] * cpu_share.get(r[3], 1.0)) for r in rows] if cpu_share else None
    return CallColumns(
        loop=np.array(loop, np.int32),
        thread=np.array([order[r[0]] for r in rows], np.int16),
        name=np.array([call_list.index(r[3]) for r in rows], np.int32),
        start_ns=np.array([r[1] for r in rows], np.int64),
        duration_ns=np.array([r[2] for r in rows], np.int64),
        self_ns=np.array(own, np.int64),
        depth=np.array(depth, np.int16),
        cpu_ns=None if cpu is None else np.array(cpu, np.int64),
        spill_row=np.array([s[0] for s in spill], np.int64),
        spill_loop=np.array([s[1] for s in spill], np.int32),
        spill_ns=np.array([s[2] for s in spill], np.int64),
    )


def _nest(rows) -> tuple[list[int], list[int]]:
    parent, depth, open_calls = [], [], []
    for i, (thread, begin, duration, _) in enumerate(rows):
        while open_calls:
            t, b, d, _ = rows[open_calls[-1]]
            if t == thread and begin >= b and begin + duration <= b + d:
                break
            open_calls.pop()
        parent.append(open_calls[-1] if open_calls else -1)
        depth.append(len(open_calls))
        open_calls.append(i)
    return parent, depth


def _own_segments(i, rows, parent) -> list[tuple[int, int]]:
    """What is left of a call after its direct parts are taken out."""
    _, at, duration, _ = rows[i]
    end, segments = at + duration, []
    for j in range(i + 1, len(rows)):
        if rows[j][0] != rows[i][0] or rows[j][1] >= end:
            break
        if parent[j] == i:
            segments.append((at, rows[j][1]))
            at = rows[j][1] + rows[j][2]
    return [*segments, (at, end)]


def _by_loop(segments, start, period) -> list[tuple[int, int]]:
    found: dict[int, int] = {}
    for a, b in segments:
        while a < b:
            k = int(np.searchsorted(start, a, side="right")) - 1
            stop = min(b, int(start[k] + period[k]))
            if stop <= a:
                raise ValueError("a call runs on past the end of the last loop")
            found[k] = found.get(k, 0) + stop - a
            a = stop  # noqa: PLW2901 - what is left of the segment
    return sorted(found.items())


def _mark_columns(marks, call_list, threads, start) -> MarkColumns:
    marks = sorted(marks, key=lambda m: m[0])
    time = np.array([round(m[0] * 1e6) for m in marks], np.int64)
    return MarkColumns(
        time_ns=time,
        loop=(np.searchsorted(start, time, side="right") - 1).astype(np.int32),
        thread=np.array([threads.index(m[3]) for m in marks], np.int16),
        name=np.array([call_list.index(m[1]) for m in marks], np.int32),
        used=np.array([m[2] == "used" for m in marks]),
    )


def _signals(signals, start) -> Signals:
    return Signals(
        start.copy(),
        np.arange(len(start), dtype=np.int32),
        {name: np.asarray(values, np.float64) for name, values in signals.items()},
    )


def slow_at_first(loops, slow):
    """A log of a read and a write a loop, in which the first loops take twice as long."""
    lines, start = ["name,start_us,duration_us"], 0
    for k in range(loops):
        work = 6000 + k * 7919 % 300 + (9000 if k < slow else 0)
        lines += [f"gyro.read,{start},1000", f"motor.write,{start + 1000},{work}"]
        start += work + 1010
    return "\n".join(lines) + "\n"
