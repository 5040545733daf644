"""How old readings are when they are used, and how often a value is really new."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from looptime.analysers.durations import named, narrowed
from looptime.run import Run
from looptime.stats.arrays import median
from looptime.stats.quantiles import elements

__all__ = ["Age", "Freshness", "freshness", "holds"]

Int = NDArray[np.integer]
Float = NDArray[np.float64]
#: Calls that are looked through at a time.
_STRETCH = 1 << 18
_Found = tuple[Int, Int | slice, Int]


@dataclass(frozen=True)
class Age:
    """Reading age [ms]: over all uses."""

    p50: float
    p90: float
    p99: float
    max: float


@dataclass(frozen=True)
class Freshness:
    """Freshness of one reading or logged signal.

    Parameters
    ----------
    name : str
    source : str
        ``handed over`` (published and used), ``read`` (a sensor read) or ``signal``.
    used_at : str
        What counts as its use, in plain words.
    thread : str or None
        Thread that reads.
    uses : int
    age_ms : Age or None [ms]
        None for signals, whose age the log does not show.
    fresh_hz, loop_hz : float or None [1/s]
        New readings a second, beside loops a second.
    repeat_share : float or None
        Uses of a reading that was used before.
    hold_loops : float or None
        Median length of a stretch with the same reading, in uses.
    longest_hold_loops, longest_hold_ms
        The longest one.
    even_share : float or None
        Share of the stretches of a signal that are as long as the median one, within a loop and
        a quarter: near 1 for a sensor that gives new values at a rate of its own.
    """

    name: str
    source: str
    used_at: str
    thread: str | None
    uses: int
    age_ms: Age | None
    fresh_hz: float | None
    loop_hz: float | None
    repeat_share: float | None
    hold_loops: float | None
    longest_hold_loops: int | None
    longest_hold_ms: float | None
    even_share: float | None = None


def freshness(
    run: Run,
    *,
    read_instant: str = "end",
) -> tuple[Freshness, ...]:
    """Reading age at use for each sensor read, and holds of each logged signal.

    A reading that is handed between threads counts from its publication to its use. Another
    sensor read counts from the end of the call to the first actuator write after it, once a
    loop; to the end of the loop in a log without actuator writes.

    Parameters
    ----------
    run : Run
        The recording.
    read_instant : {"end", "start"}
        When during the call the reading is taken.

    Returns
    -------
    tuple of Freshness
        Handed over first, then reads, then signals.
    """
    if not len(run):
        return ()
    made = _handed_over(run, read_instant)
    made += _reads(run, read_instant, {f.name for f in made})
    made += _signals(run)
    return tuple(made)


def _loop_hz(run: Run) -> float | None:
    return len(run) / run.duration_s if run.duration_s > 0 else None


def _handed_over(run: Run, read_instant: str) -> list[Freshness]:
    marks = run.marks
    if marks is None:
        return []
    made = []
    for code in np.unique(marks.name[marks.used]):
        mine = marks.name == code
        published = np.sort(marks.time_ns[mine & ~marks.used])
        uses = np.sort(marks.time_ns[mine & marks.used])
        if not len(published):
            continue
        reader = marks.thread[mine & ~marks.used][0]
        taken = _taken(run, int(code), published) if read_instant == "start" else published
        found = _ages(uses, published, taken)
        if found is not None:
            made.append(_freshness(run, int(code), "handed over", "its use mark", reader, found))
    return made


def _taken(run: Run, code: int, published: Int) -> Int:
    """Start of the call that each published reading came from."""
    at = run.call_columns
    mine = at.name == code
    start = at.start_ns[mine]
    end = start + at.duration_ns[mine]
    if not len(end):
        return published
    order = np.argsort(end, kind="stable")
    # a mark may be stamped within the call that it belongs to
    near = np.searchsorted(end[order], published, "right") - 1
    return np.where(near >= 0, start[order][np.maximum(near, 0)], published)


def _reads(run: Run, read_instant: str, known: set[str]) -> list[Freshness]:
    at = run.call_columns
    codes = [k for k, n in enumerate(run.names) if n.kind == "sensor read" and n.name not in known]
    if not codes or not len(at):
        return []
    name = narrowed(at.name, len(run.names))
    uses, used_at = _uses(run, name)
    made = []
    for code in codes[:200]:
        rows = np.flatnonzero(name == code)
        if not len(rows):
            continue
        thread = at.thread[rows[0]]
        start = at.start_ns[rows]
        end = start.copy() if read_instant == "start" else start
        end += at.duration_ns[rows]
        del rows  # a long run's memory is dear
        found = _ages(uses, *_instants(start, end, read_instant))
        del start, end
        if found is not None:
            made.append(_freshness(run, code, "read", used_at, thread, found))
    return made


def _instants(start: Int, end: Int, read_instant: str) -> tuple[Int, Int]:
    """When each reading of some calls is there, in order, and when it was taken."""
    if (end[1:] < end[:-1]).any():
        order = np.argsort(end, kind="stable")
        start, end = start[order], end[order]
    return end, start if read_instant == "start" else end


def _uses(run: Run, name: Int) -> tuple[Int, str]:
    """Once a loop: the first actuator write, else the end of the loop."""
    at, loops = run.call_columns, run.loop_columns
    rows: Int = np.zeros(0, np.int64)
    writes = [code for code, n in enumerate(run.names) if n.kind == "actuator write"]
    if writes:
        rows = _rows_of(name, writes)
        if len(run.thread_names) > 1:
            rows = rows[run.on_loop_thread[rows]]
    if not len(rows):
        return loops.start_ns + loops.period_ns, "the end of each loop"
    # a thread's calls stand in order of their starts, so that a loop's first row is its first call
    first = np.append(True, np.diff(at.loop[rows]) != 0)
    return at.start_ns[rows[first]], "the first actuator write of each loop"


def _rows_of(name: Int, codes: list[int]) -> Int:
    """Rows that have one of some names; found a stretch at a time, since masks take memory."""
    found = [
        np.flatnonzero(named(name[at : at + _STRETCH], codes)) + at
        for at in range(0, len(name), _STRETCH)
    ]
    return np.concatenate(found) if found else np.zeros(0, np.int64)


def _latest(ready: Int, uses: Int) -> tuple[Int | slice, int]:
    """The latest reading at each use, and how many uses come before the first. Both rise.

    A slice where each use gets the reading after that of the use before.
    """
    first, n = int(np.searchsorted(ready, uses[0], "right")) - 1, len(uses)
    if first + n <= len(ready):
        which = slice(max(first, 0), first + n)
        taken, later = ready[which], ready[first + 1 : first + n + 1]
        if (taken <= uses[n - len(taken) :]).all() and (uses[: len(later)] < later).all():
            return which, n - len(taken)
    found = np.searchsorted(ready, uses, "right") - 1
    early = int(np.searchsorted(found, 0))
    return found[early:], early


def _ages(uses: Int, ready: Int, taken: Int) -> _Found | None:
    """Ages [ns], which reading each use got, and when it was used."""
    if not len(uses):
        return None
    which, early = _latest(ready, uses)
    if early == len(uses):
        return None
    uses = uses[early:]
    return uses - taken[which], which, uses


def _freshness(
    run: Run, code: int, source: str, used_at: str, thread: int, found: _Found
) -> Freshness:
    ages, which, uses = found
    n = len(ages)
    fresh, hold, longest, longest_ns = n, 1.0, 1, 0  # another one each time
    if not isinstance(which, slice):
        lengths, spans = _stretches(which, uses)
        fresh, hold = len(lengths), median(lengths)
        longest, longest_ns = int(lengths.max()), int(spans.max())
    places = [min(int(p * n), n - 1) for p in (0.5, 0.9, 0.99)]
    age = Age(*(ns / 1e6 for ns in elements(ages, [*places, n - 1])))
    hz = fresh / run.duration_s if run.duration_s > 0 else None
    return Freshness(
        run.names[code].name, source, used_at, run.thread_names[thread], n,
        age, hz, _loop_hz(run), 1 - fresh / n, hold, longest, longest_ns / 1e6,
    )  # fmt: skip


def _stretches(which: Int, times: Int) -> tuple[Int, Int]:
    """Lengths [uses] and durations [ns] of the stretches in which a value stays the same."""
    changed = which[1:] != which[:-1]
    first = np.append(0, np.flatnonzero(changed) + 1)
    lengths = np.diff(np.append(first, len(which)))
    last = np.append(first[1:] - 1, len(which) - 1)
    return lengths, times[last] - times[first]


def holds(values: Float, times_ns: Int) -> tuple[Int, Int]:
    """Stretches in which a logged value stays the same; missing values are left out.

    Returns
    -------
    lengths : int array [rows]
    spans : int array [ns]
        From the first to the last row of each stretch.

    Examples
    --------
    >>> lengths, spans = holds(np.array([1.0, 1.0, 2.0, 2.0, 2.0]), np.arange(5) * 10)
    >>> lengths.tolist(), spans.tolist()
    ([2, 3], [10, 20])
    """
    present = ~np.isnan(values)
    if not present.any():
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    x = values[present]
    changed = np.concatenate([[0], np.cumsum(np.diff(x) != 0)])
    return _stretches(changed, times_ns[present])


def _signals(run: Run) -> list[Freshness]:
    if run.signals is None:
        return []
    made = []
    for name, values in run.signals.values.items():
        lengths, spans = holds(values, run.signals.time_ns)
        if len(lengths) < 2:  # a value that never changes says nothing about its age
            continue
        rows, usual = int(lengths.sum()), median(lengths)
        hz = len(lengths) / run.duration_s if run.duration_s > 0 else None
        made.append(
            Freshness(
                name,
                "signal",
                "each logged row",
                None,
                rows,
                None,
                hz,
                _loop_hz(run),
                1 - len(lengths) / rows,
                usual,
                int(lengths.max()),
                float(spans.max()) / 1e6,
                float(np.mean(np.abs(lengths - usual) <= 1 + 0.25 * usual)),
            )
        )
    return made
