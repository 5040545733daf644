"""The column that says in which phase of the run a loop was, whatever it is called."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import PHASES, tokens
from looptime.parsers.text.cells import Want
from looptime.parsers.text.dialect import Dialect, is_number
from looptime.parsers.text.table import PHASE, Key, Member, Table

__all__ = [
    "find_phase",
    "in_long_stretches",
    "names_phases",
    "phase_names",
    "take_phase",
    "word_wants",
]

#: Words of a header that names phases.
_NAMES = {"stage", *PHASES}
#: What columns are known by whose words may be phases.
_WORDS = "words"
#: At most so many phases, a change of phase in so many rows, and rows that tell a pace.
_PHASES, _ROWS_EACH, _ENOUGH = 8, 20, 10
#: Rows on either side of a change; by how much values are others there, as a share of them, and in
#: standard errors of a median, which is about as wide as the quartiles over the root of the number.
_AROUND, _OTHER, _SURE = 200, 0.1, 5.0


def find_phase(found: Sequence[Head], dialect: Dialect) -> Head | None:
    r"""The column whose header names phases and that holds few words, each over many rows.

    Parameters
    ----------
    found : sequence of Head
        Columns that are nothing else yet.
    dialect : Dialect
        How the log is written, with its first rows.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k},{'rest' if k < 60 else 'work'}\n" for k in range(120))
    >>> like = sniff("t_ms,stage of it\n" + rows, "a.csv")
    >>> find_phase(heads(like.header)[1:], like).text
    'stage of it'
    """
    named = (head for head in found if names_phases(head))
    return next((head for head in named if in_long_stretches(dialect, head.index)), None)


def names_phases(head: Head) -> bool:
    """Whether a header says that its column holds phases."""
    return not _NAMES.isdisjoint(tokens(head.text))


def in_long_stretches(dialect: Dialect, index: int) -> bool:
    """Whether few words stand in many of the first rows each, one after the other."""
    if not wordy(dialect, index):
        return False
    cells = np.array([row[index].strip() for row in dialect.sample])
    return _stands(np.unique(cells, return_inverse=True)[1])


def _stands(code: NDArray[Any]) -> bool:
    changes = int((code[1:] != code[:-1]).sum())
    return len(np.unique(code)) <= _PHASES and changes * _ROWS_EACH <= len(code)


def word_wants(dialect: Dialect, taken: set[int]) -> list[Want]:
    """Columns of words that may name phases, though no header says so, with how they are read."""
    return [Want(Member(_WORDS, index), index, "word") for index in range(dialect.fields)
            if index not in taken and in_long_stretches(dialect, index)]  # fmt: skip


def take_phase(table: Table, clock: Key) -> None:
    """Take for the table's phases, in place, words with which its numbers change.

    Parameters
    ----------
    table : Table
        With what `word_wants` asked for, which is taken out of it.
    clock : Key
        Column of the instants, if there is one.

    Notes
    -----
    What stands just before and just after a change of the word is held against each other, so that
    what changes little by little all along is none; so near, no number goes so far by itself.
    """
    own = [Member(_WORDS, index) for index in table.group(_WORDS)]
    words = [(key, table.columns.pop(key), table.words.pop(key)) for key in own]
    if PHASE in table.columns or not words:
        return
    beside = [at for key, at in table.columns.items() if key != clock and key not in table.words]
    if clock in table.columns:
        beside.append(np.append(np.diff(table.columns[clock]), 0))
    for _, code, known in words:
        if _stands(code) and _parts_the_run(code, beside):
            table.columns[PHASE], table.words[PHASE] = code, known
            return


def _parts_the_run(code: NDArray[Any], beside: list[NDArray[Any]]) -> bool:
    """Whether numbers change where the words do, at half of the places at least."""
    edges = np.concatenate([[0], np.flatnonzero(code[1:] != code[:-1]) + 1, [len(code)]])
    apart = []
    for first, edge, last in zip(edges, edges[1:], edges[2:], strict=False):
        before = slice(max(first, edge - 1 - _AROUND), edge - 1)  # that row may be of either
        after = slice(edge + 1, min(last, edge + 1 + _AROUND))
        apart.append(any(_apart(of[before], of[after]) for of in beside))
    return len(apart) > 0 and 2 * sum(apart) >= len(apart)


def _apart(one: NDArray[Any], other: NDArray[Any]) -> bool:
    """Whether values are usually others: by far more than as many of one kind, or one that moves.

    On either side the later half is held against the earlier one: a number that goes on from row to
    row is as far away within each side.
    """
    one, other = (x[np.isfinite(x)].astype(np.float64) for x in (one, other))
    if min(len(one), len(other)) < _ENOUGH:
        return False
    usual, more = float(np.median(one)), float(np.median(other))
    error = np.hypot(*(np.subtract(*np.percentile(x, [75, 25])) / len(x) ** 0.5
                       for x in (one, other)))  # fmt: skip
    halves = (np.array_split(x, 2) for x in (one, other))
    moved = sum(abs(float(np.median(late) - np.median(early))) for early, late in halves)
    far = abs(more - usual)
    return far >= _OTHER * max(abs(usual), abs(more)) > 0 and far > _SURE * error + 2 * moved


def phase_names(words: list[str]) -> list[str]:
    """Names of phases; numbers of states that are written with decimals as whole ones.

    Examples
    --------
    >>> phase_names(["0.00", "3,00"]), phase_names(["1.5", "2.0"]), phase_names(["auto", ""])
    (['0', '3'], ['1.5', '2.0'], ['auto', ''])
    """
    plain = [word.replace(",", ".") for word in words]
    numbers = [word for word in plain if word]
    if not numbers or not all(is_number(one) and float(one).is_integer() for one in numbers):
        return words
    made = [f"{float(word):.0f}" if word else "" for word in plain]
    return made if len(set(made)) == len(made) else words
