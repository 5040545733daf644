"""Columns of named lengths without a clock, told by names that take turns thread by thread."""

from dataclasses import replace

import numpy as np

from looptime.array_types import Int
from looptime.parsers.columns.disorder import disordered
from looptime.parsers.columns.evidence import rises, wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import COUNTS, THREADS
from looptime.parsers.text.dialect import Dialect, numbers

__all__ = ["TURNS", "columns_by_turns"]

#: Why a column is that of the names, or of the threads.
TURNS = "names follow upon each other in turn within each of its words"
#: Rows that tell, of all and of each thread; how many of a thread's rows follow in turn, and how
#: many would not if all were one thread's; threads; rows a name is met in.
_ROWS, _OF_EACH, _IN_TURN, _NOT, _MOST_THREADS, _OFTEN = 40, 10, 0.9, 0.05, 16, 5
#: Rows that stand behind one name of the others so often were logged by their thread.
_ONE_PLACE = 0.95


def columns_by_turns(found: list[Head], dialect: Dialect) -> dict[str, Head] | None:
    """Name, length and perhaps thread of rows of one length each; None for other rows.

    Numbers of the loop may stand beside them.

    In a loop the same names come in the same order. Where several threads log, each has its own
    names, and they take turns within its rows alone.

    Parameters
    ----------
    found : list of Head
        All columns.
    dialect : Dialect
        How the log is written, with its first rows.
    """
    words = [head for head in found if wordy(dialect, head.index)]
    lengths = [head for head in found if head not in words and not _numbers_loops(head, dialect)]
    if len(lengths) != 1 or not words or len(dialect.sample) < _ROWS:
        return None
    dialect = _each_once(dialect)
    length = lengths[0]
    values = numbers(dialect, length.index)
    if length.unit is None or np.isnan(values).any() or (values < 0).any():
        return None
    if rises(values) or rises(values[::-1]) or disordered(values, grows=True):  # instants
        return None
    code = {head: _codes(dialect, head) for head in words}
    best: tuple[float, dict[str, Head]] | None = None
    for name in words:
        alone = _in_turn(code[name], np.zeros_like(code[name]))
        for thread in (None, *(head for head in words if head is not name)):
            turns = alone if thread is None else _in_turn(code[name], code[thread])
            if thread is not None and not (
                turns > alone + _NOT
                and _own_names(code[name], code[thread])
                and (thread.word in THREADS or _anywhere(code[name], code[thread]))
            ):
                continue
            if turns >= _IN_TURN and (best is None or turns > best[0] + _NOT):
                best = turns, {"name": name, "duration": length}
                best[1].update({} if thread is None else {"thread": thread})
    return None if best is None else best[1]


def _each_once(dialect: Dialect) -> Dialect:
    """The same first rows, those once that stand twice, one behind the other."""
    rows = dialect.sample
    return replace(
        dialect, sample=tuple(row for at, row in enumerate(rows) if not at or row != rows[at - 1])
    )


def _numbers_loops(head: Head, dialect: Dialect) -> bool:
    """Whether a column counts by one, from row to row or after a few rows; a restart does no harm.

    Where rows stand in another order, only its header says so.
    """
    values = numbers(dialect, head.index)
    if head.unit is not None or np.isnan(values).any() or (values % 1 != 0).any():
        return False
    step = np.diff(values)
    return head.word in COUNTS or bool(len(step) and ((step == 0) | (step == 1)).mean() >= _IN_TURN)


def _codes(dialect: Dialect, head: Head) -> Int:
    cells = np.array([row[head.index] for row in dialect.sample])
    return np.unique(cells, return_inverse=True)[1].astype(np.int64)


def _in_turn(name: Int, thread: Int) -> float:
    """Share of the rows that follow upon the name they mostly follow upon, on their thread.

    0 where names are met too seldom to tell, or mostly follow upon themselves, as phases do.
    """
    order = np.argsort(thread, kind="stable")
    names, threads = name[order], thread[order]
    same = np.diff(threads) == 0
    now, then = names[:-1][same], names[1:][same]
    if (
        len(now) < _ROWS // 2
        or len(now) < _OFTEN * len(np.unique(name))
        or (now == then).mean() > 0.5
    ):
        return 0.0
    pairs, count = np.unique(np.stack([now, then]), axis=1, return_counts=True)
    most = np.zeros(int(name.max()) + 1, np.int64)
    np.maximum.at(most, pairs[0], count)
    return float(most.sum()) / len(now)


def _anywhere(name: Int, thread: Int) -> bool:
    """Whether rows beside those of the busiest thread come anywhere among these.

    A call that only some loops make, of a device or a subsystem, comes behind the same one always.

    Examples
    --------
    >>> thread = np.array([0, 0, 1] * 20)
    >>> at_one, at_any = np.array([0, 1, 2] * 20), np.array([0, 1, 2, 1, 0, 2] * 10)
    >>> _anywhere(at_one, thread), _anywhere(at_any, thread)
    (False, True)
    """
    mine = thread == np.bincount(thread).argmax()
    last = np.maximum.accumulate(np.where(mine, np.arange(len(name)), -1))
    others = ~mine & (last >= 0)
    pairs, count = np.unique(np.stack([name[others], name[last[others]]]), axis=1,
                             return_counts=True)  # fmt: skip
    most = np.zeros(int(name.max()) + 1, np.int64)
    np.maximum.at(most, pairs[0], count)
    return bool(most.sum() < _ONE_PLACE * others.sum())


def _own_names(name: Int, thread: Int) -> bool:
    """Whether there are a few threads, of some rows each, and nearly every name is of one."""
    rows = np.bincount(thread)
    if not 1 < len(rows) <= _MOST_THREADS or rows.min() < _OF_EACH:
        return False
    pairs, count = np.unique(np.stack([name, thread]), axis=1, return_counts=True)
    most = np.zeros(int(name.max()) + 1, np.int64)
    np.maximum.at(most, pairs[0], count)
    return bool(most.sum() >= (1 - _NOT) * len(name))
