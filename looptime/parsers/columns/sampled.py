"""The own stamp of a sample beside the loop's time: it tells a reading's age, and is no clock."""

import re

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import marked, rises, scaled
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.second_clock import names_clock
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.signal_names import AGE, SAMPLE_WORDS
from looptime.units import split_unit

__all__ = ["age_name", "held_stamps", "sample_stamps"]

#: Words of a sample's own stamp that count only beside a clock that is called the loop's.
_ARRIVED = {"sensor", "recv", "received", "rx", "arrival", "arrived", "fix"}
_LOOP = {"loop", "cycle", "iteration", "tick", "frame", "pass"}
_HOST = {"host", "wall", "utc", "pc", "laptop", "log", "logged"}
#: Words of a clock that may tick coarsely.
_BOARD = {"device", "board", "robot", "micros", "millis", "nanos", "mono", "system", "clock"}
#: Words that say of a column no more than that it is an instant.
_INSTANT = {"time", "timestamp", "stamp", "at", "ts", "t"}
#: Steps of the loop that a sample may be old as a rule, and the share of the rows it must precede.
_OLDEST, _SHARE = 20, 0.99
#: Rows that tell that stamps are held, and the share of those with the stamp of the row before.
_HELD_ROWS, _HELD = 20, (0.1, 0.98)
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")


def _words(head: Head) -> list[str]:
    text = _CAMEL.sub(" ", split_unit(head.text)[0]).lower()
    return [word for word in re.split(r"[^a-z]+", text) if word]


def age_name(head: Head) -> str:
    """What a sample's age is called.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> [age_name(head) for head in heads(("gyro_sample_time_us", "measuredAt [ms]"))]
    ['gyro_sample_age_ms', 'measured_age_ms']
    """
    kept = [word for word in _words(head) if word not in _INSTANT]
    return "_".join(kept) + AGE


def sample_stamps(found: list[Head], dialect: Dialect) -> list[Head]:
    r"""Columns with a sample's own stamp, at or before the loop's time in the same row.

    Where another instant lies between the two, the sampling may be a stage of the loop: such a
    column is none.

    Parameters
    ----------
    found : list of Head
        Columns of the log.
    dialect : Dialect
        How the log is written; its first rows decide.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{20 * k + k % 3},{20 * k - 7}\n" for k in range(1, 9))
    >>> like = sniff("loop_ms,gyro_sample_ms\n" + rows, "a.csv")
    >>> [head.text for head in sample_stamps(heads(like.header), like)]
    ['gyro_sample_ms']
    """
    if dialect.header is None or len(found) < 2:
        return []
    stated = dialect.stated
    free = [h for h in found if stated is None or not stated.role(h.index)[0]]
    mine = [h for h in free if not marked(h).side and _may_be_sampled(set(_words(h)))]
    if not mine:
        return []
    unit = next((h.unit for h in found if h.unit), None)
    others = {
        h.index: scaled(dialect, h, unit)
        for h in found
        if h not in mine and rises(numbers(dialect, h.index))
    }
    first = _earliest(others)
    clocks = [h for h in found if h.index in others and (_is_loops(h) or h.index == first)]
    return [
        head
        for head in mine
        if any(_precedes(scaled(dialect, head, unit), clock, others)
               for clock in clocks
               if _go_together(head, clock) or _held(head, dialect))
    ]  # fmt: skip


def _earliest(others: dict[int, Float]) -> int | None:
    """The column whose instant is the first of its row, always, where several are told."""
    if len(others) < 2:
        return None
    values = np.array(list(others.values()))
    if not np.isfinite(values).all():
        return None
    place = int(values[:, 0].argmin())
    return list(others)[place] if (values >= values[place]).all() else None


def _is_loops(head: Head) -> bool:
    """Whether a header may be that of the loop's time."""
    mark, words = marked(head), set(_words(head))
    if words & _HOST or mark.side == "end":
        return False
    if mark.side:
        return not mark.stem or bool(words & _LOOP)
    return names_clock(head) or words <= _LOOP


def _may_be_sampled(words: set[str]) -> bool:
    """Whether words are those of a sample, or of an instant that belongs to something."""
    return bool(
        words & (SAMPLE_WORDS | _ARRIVED) or (words & _INSTANT and words - _INSTANT - _LOOP - _HOST)
    )


def _go_together(head: Head, clock: Head) -> bool:
    """Whether a stamp may be a sample's beside this clock.

    One that says no more than whose it is stands behind the loop's own in the row: among stages it
    would be later.
    """
    words = set(_words(head))
    if words & SAMPLE_WORDS:
        return True
    return bool(set(_words(clock)) & _LOOP and (words & _ARRIVED or clock.index < head.index))


def held_stamps(found: list[Head], dialect: Dialect) -> list[Head]:
    """Columns with stamps of samples, on whatever clock, that several rows share."""
    return [
        h for h in found
        if not marked(h).side and _may_be_sampled(set(_words(h))) and _held(h, dialect)
    ]  # fmt: skip


def _held(head: Head, dialect: Dialect) -> bool:
    """Whether rows share stamps, each as often as the next: no clock that goes on stands so."""
    if set(_words(head)) & _BOARD:
        return False
    stamps = numbers(dialect, head.index)
    step = np.diff(stamps[np.isfinite(stamps)])
    same = float((step == 0).mean()) if len(step) else 0.0
    if len(step) < _HELD_ROWS or not _HELD[0] <= same <= _HELD[1] or (step < 0).any():
        return False
    lengths = np.diff(np.flatnonzero(step))
    return bool(len(lengths) and np.ptp(lengths) <= max(1.0, 0.5 * float(np.median(lengths))))


def _precedes(sample: Float, clock: Head, others: dict[int, Float]) -> bool:
    """Whether a sample goes before a clock in its row, by not too much, and nothing between."""
    loop = others[clock.index]
    known = np.isfinite(sample) & np.isfinite(loop)
    if known.sum() < 5 or not rises(sample):
        return False
    age, step = (loop - sample)[known], float(np.median(np.diff(loop[known])))
    if (age >= 0).mean() < _SHARE or not 0 < np.median(age) <= _OLDEST * step:
        return False
    between = (
        ((other >= sample) & (other <= loop))[known].mean() > _SHARE
        for index, other in others.items()
        if index != clock.index
    )
    return not any(between)
