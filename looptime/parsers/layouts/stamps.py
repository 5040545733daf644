"""Layout `stamps`: one row is a loop with one instant, or the time since the one before."""

import numpy as np

from looptime.errors import LogError
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.judged import understand
from looptime.parsers.columns.lexicon import meaning
from looptime.parsers.layouts.contract import Content, Found, Given, Layout
from looptime.parsers.layouts.each_row import (
    COLUMNS,
    loop_rows,
    needed,
    own,
    row_limits,
    row_notes,
    unit,
)
from looptime.parsers.layouts.some_loops import (
    refuse_late_only,
    refuse_side_by_side,
    refuse_sums,
)
from looptime.parsers.layouts.supposed import row_supposed
from looptime.parsers.text.dialect import Dialect

__all__ = ["LAYOUT"]

#: Rows from which on unlike texts are messages.
_MESSAGES = 20


def fit(found: list[Head], dialect: Dialect, asked: bool = False) -> Given | None:
    """The parts that the columns play if this is a `stamps` log, None if it is not one."""
    known = understand(found, dialect)
    lengths = {"time", "period", "total"} & set(known.one)
    if not lengths and dialect.rate_hz is None:
        return None
    total = known.one.get("total")
    if lengths == {"total"} and total is not None and dialect.rate_hz is None and not asked:
        _check_rate(total)
    if not asked:
        refuse_sums(known, dialect)
        refuse_late_only(known, dialect)
        refuse_side_by_side(known, dialect)
    if not asked and "time" in known.one:
        _check_messages(found, known.one["time"], dialect)
    return Given(known.one, roles=known.roles, stamped=known.stamped)


def _check_rate(total: Head) -> None:
    """Refuse lengths of the work alone: they say nothing of how often it was done.

    Raises
    ------
    LogError
        With what to give.
    """
    if meaning(total.text) == "busy":
        raise LogError(
            f"column {total.text!r} is how long the work of each loop took, and how often the "
            "loop ran is not in the log: give its rate with --rate-hz (such as --rate-hz 50), or "
            "log the time of every loop"
        )


def _check_messages(found: list[Head], time: Head, dialect: Dialect) -> None:
    """Refuse rows that hold nothing but a time and a text, one unlike the other.

    Raises
    ------
    LogError
        With what reads them all the same.
    """
    others = [head for head in found if head != time]
    texts = [head for head in others if wordy(dialect, head.index)]
    if not texts or len(texts) < len(others) or len(dialect.sample) < _MESSAGES:
        return
    kinds = {row[texts[0].index] for row in dialect.sample}
    if len(kinds) > max(_MESSAGES, 0.1 * len(dialect.sample)):
        raise LogError(
            f"each row is a message ({texts[0].text!r}) with its time, and none of them marks the "
            "loops: log a line once a loop, or take every row for one with --layout stamps"
        )


def rows(content: Content) -> Found:
    """Loops with one instant each, or the length of each."""
    found = loop_rows(content, None, np.zeros(len(content.table), bool))
    ticks = found.start if found.period is None else np.cumsum(found.period)
    if content.log.options.rate_hz is not None and found.body is not None:
        ticks = np.unique(found.body)
    log = content.log
    return Found(found, ticks, notes=row_notes(found, log), limits=row_limits(found, log),
                 supposed=row_supposed(found, log))  # fmt: skip


LAYOUT = Layout(
    "stamps", "each row a loop with one time", COLUMNS, fit, unit, rows, clock="time", own=own,
    needed=needed, signals=True, empty="holds a single loop: record at least two",
)  # fmt: skip
