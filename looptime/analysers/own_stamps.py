"""Samples that bear a stamp of their own: when what a read returned was measured.

A log may say of each loop when the sample was measured that the loop has in hand. A signal holds
its age at the row's time then, and that is the truth of the reading's age, whatever call fetched
it: a read that starts late returns what was measured early.
"""

import re
from collections.abc import Iterator

import numpy as np

from looptime.array_types import Float, Int
from looptime.run import Run, Signals
from looptime.signal_names import AGE, HEADING_WORDS, SAMPLE_WORDS
from looptime.units import NS_PER_MS

__all__ = [
    "sample_age",
    "sample_age_of",
    "stamped_age_ns",
    "stamps_ns",
    "told_by_stamps",
    "unread_samples",
]

#: Words of a call that do not say what it reads.
_READS = frozenset(("read", "get", "fetch", "poll", "update", "sample", "sensor", "end", "done"))
#: Rows whose digits are looked at, and what the last digit may stand for [ns].
_LOOKED_AT = 2000
_DIGITS = tuple(10**k for k in range(9))
_WORD = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])")


def sample_age(run: Run) -> str | None:
    """The signal with the heading sample's age at the loop's start; None where there is none."""
    have = _ages(run)
    named = [name for name in have if any(word in name.lower() for word in HEADING_WORDS)]
    plain = [name for name in have if SAMPLE_WORDS.issuperset(name.removesuffix(AGE).split("_"))]
    return next(iter(named or plain), None)


def sample_age_of(run: Run, call: str) -> str | None:
    """The signal with the age of the sample that a call returns; None where there is none.

    All words of the one are words of the other, or both are the heading's.

    Parameters
    ----------
    run : Run
        The recording.
    call : str
        Name of the call, or of the signal with the sample's value.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> one, at = np.zeros(1), np.zeros(1, np.int64)
    >>> signals = Signals(at, at, {"gyro_sample_age_ms": one, "left_lift_age_ms": one})
    >>> run = Run(LoopColumns(at, at, at + 1), signals=signals)
    >>> [sample_age_of(run, call) for call in ("imu.read", "readLeftLift", "right_lift", "all")]
    ['gyro_sample_age_ms', 'left_lift_age_ms', None, None]
    """
    mine = [age for age in _ages(run) if _belong(age, call)]
    if mine:
        return mine[0]
    age = sample_age(run)
    if age is None or _words(call).isdisjoint(HEADING_WORDS):
        return None
    return None if any(_belong(age, name.name) for name in run.names) else age


def _ages(run: Run) -> list[str]:
    return [] if run.signals is None else [n for n in run.signals.values if n.endswith(AGE)]


def _belong(age: str, call: str) -> bool:
    sample = _words(age.removesuffix(AGE)) - SAMPLE_WORDS
    mine = _words(call) - _READS
    return bool(sample and mine) and (sample <= mine or mine <= sample)


def _words(name: str) -> set[str]:
    return {word.lower() for word in _WORD.findall(name)}


def stamps_ns(signals: Signals, age: str) -> tuple[Int, Int]:
    """When the sample in each row was measured, and in which rows the log says so.

    Parameters
    ----------
    signals : Signals
        Of a run.
    age : str
        The signal with the sample's age at the row's time [ms].

    Returns
    -------
    stamp_ns : int64 array, shape (k,) [ns]
        A row without a stamp holds the last sample; before the first one, the row's own time. Rows
        whose stamps differ by no more than rounding makes of one hold one sample.
    rows : int array, shape (m,)
    """
    value = signals.values[age]
    known = np.isfinite(value)
    stamp = signals.time_ns - np.rint(np.where(known, value, 0.0) * NS_PER_MS).astype(np.int64)
    rows = np.flatnonzero(known)
    stamp[rows] = _one_a_sample(stamp[rows], _rounding_ns(signals.time_ns, value[rows]))
    last = np.maximum.accumulate(np.where(known, np.arange(len(value)), -1))
    return np.where(last >= 0, stamp[last], stamp), rows


def _one_a_sample(stamp: Int, rounding: int) -> Int:
    """Stamps with one for each sample: that of the first row that has it."""
    first = np.append(True, np.abs(np.diff(stamp)) > rounding)[: len(stamp)]
    return stamp[np.maximum.accumulate(np.where(first, np.arange(len(stamp)), 0))]


def _rounding_ns(time: Int, age: Float) -> int:
    """By how much the stamps of one sample differ for the digits of times and ages [ns].

    Examples
    --------
    >>> _rounding_ns(np.array([15_000_000, 30_000_000, 46_000_000]), np.array([3.2, 5.1]))
    1100000
    """
    ns = np.rint(age[:_LOOKED_AT] * NS_PER_MS).astype(np.int64)
    steps = (np.diff(time[:_LOOKED_AT]), ns)
    whole = [int(np.gcd.reduce(step)) if len(step) else 0 for step in steps]
    return sum(max(one for one in _DIGITS if step % one == 0) for step in whole if step)


def stamped_age_ns(run: Run, age: str | None) -> tuple[Int, str | None]:
    """How old the newest sample is at each loop's start, by its own stamp, and what tells it.

    Parameters
    ----------
    run : Run
        The recording.
    age : str, optional
        The signal with the sample's age at the row's time [ms]; without one nothing is told.

    Returns
    -------
    int64 array, shape (loops,) [ns]
        0 where the log does not tell it.
    str or None
    """
    start = run.loop_columns.start_ns
    if age is None or run.signals is None:
        return np.zeros(len(start), np.int64), None
    at = np.searchsorted(run.signals.time_ns, start, side="right") - 1
    stamp = stamps_ns(run.signals, age)[0][np.maximum(at, 0)]
    old = np.where(at >= 0, np.maximum(start - stamp, 0), 0)
    return old, f"{age} tells how old it is"


def _in_hand(signals: Signals, run: Run, age: str) -> tuple[Int, Int]:
    """Each sample that the log shows, and from which loop's start on the loop has it [ns]."""
    taken, ready = _held(signals, run, age)
    new = np.append(True, np.diff(taken) > 0)[: len(taken)]
    return taken[new], ready[new]


def _held(signals: Signals, run: Run, age: str) -> tuple[Int, Int]:
    """What each row with a stamp holds, and from when on the loop has it at the latest [ns]."""
    stamp, rows = stamps_ns(signals, age)
    taken = np.maximum.accumulate(stamp[rows])
    return taken, np.maximum(run.loop_columns.start_ns[signals.loop[rows]], taken)


def unread_samples(run: Run) -> Iterator[tuple[str, Int, Int, Int]]:
    """Samples with a stamp of their own that no call of the log reads.

    Yields
    ------
    age : str
        The signal with the sample's age [ms].
    taken_ns, ready_ns : int64 array, shape (n,) [ns]
        When each was measured, and from when on the loop has it.
    picked_ns : int64 array, shape (k,) [ns]
        When the loop looked, sample or none.
    """
    signals = run.signals
    read = {sample_age_of(run, name.name) for name in run.names if name.kind == "sensor read"}
    for age in _ages(run):
        if signals is None or age in read or not np.isfinite(signals.values[age]).any():
            continue
        taken, ready = _in_hand(signals, run, age)
        yield age, taken, ready, np.maximum.accumulate(_held(signals, run, age)[1])


def told_by_stamps(run: Run, call: str, rows: Int, otherwise: Int) -> Int | tuple[Int, Int]:
    """When the samples were measured that calls returned, where they have stamps of their own.

    The row that begins with a call is its own; else the first row of its loop tells what the loop
    has in hand. Where it is another thread that reads, that is all which is known.

    Parameters
    ----------
    run : Run
        The recording, or a prediction.
    call : str
        Name of the calls.
    rows : int array, shape (n,)
        Calls that read.
    otherwise : int array, shape (n,) [ns]
        When they are taken to have read where the log does not say it.

    Returns
    -------
    int64 array, shape (n,) [ns]
        For each call; or, where another thread reads, two arrays: when each sample was measured
        that the loop had, and from when on it had it.
    """
    signals, calls, age = run.signals, run.call_columns, sample_age_of(run, call)
    if signals is None or age is None or not len(rows):
        return otherwise
    stamp, known = stamps_ns(signals, age)
    if not len(known):
        return otherwise
    time, loop, start = signals.time_ns[known], signals.loop[known], calls.start_ns[rows]
    own = np.minimum(np.searchsorted(time, start), len(known) - 1)
    first = np.minimum(np.searchsorted(loop, calls.loop[rows]), len(known) - 1)
    mine = time[own] == start
    if not mine.any() and (calls.thread[rows] != run.loop_thread).any():
        return _in_hand(signals, run, age)
    told = mine | (loop[first] == calls.loop[rows])
    found = stamp[known[np.where(mine, own, first)]]
    return np.where(told & (found <= start + calls.duration_ns[rows]), found, otherwise)
