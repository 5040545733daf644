"""The column that says in which phase of the run a loop was, whatever it is called."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.evidence import wordy
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import tokens
from looptime.parsers.text.dialect import Dialect, is_number

__all__ = ["find_phase", "phase_names"]

#: Words of a header that names phases.
_NAMES = {"phase", "mode", "stage"}
#: At most so many phases, a change of phase in so many rows, and rows that tell a pace.
_PHASES, _ROWS_EACH, _ENOUGH = 8, 20, 10
#: The pace of one phase is another than that of the next by so much.
_OTHER_PACE = 1.1


def find_phase(found: Sequence[Head], dialect: Dialect, clock: Float | None) -> Head | None:
    r"""The column of few words, each over a long stretch of rows, that names phases.

    Its header names phases, or the clock's steps keep to another length in each.

    Parameters
    ----------
    found : sequence of Head
        Columns that are nothing else yet.
    dialect : Dialect
        How the log is written, with its first rows.
    clock : float64 array, shape (n,) [ns], or None
        The clock of these rows.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{k},{'rest' if k < 60 else 'work'}\n" for k in range(120))
    >>> like = sniff("t_ms,doing\n" + rows, "a.csv")
    >>> clock = np.cumsum(np.where(np.arange(120) < 60, 40.0, 9.0)) * 1e6
    >>> find_phase(heads(like.header)[1:], like, clock).text
    'doing'
    >>> find_phase(heads(like.header)[1:], like, np.arange(120) * 2e7) is None
    True
    """
    for named in (True, False):
        for head in found:
            if not wordy(dialect, head.index) or named != bool(_NAMES & set(tokens(head.text))):
                continue
            cells = np.array([row[head.index].strip() for row in dialect.sample])
            if _long_stretches(cells, least=1 if named else 2) and (
                named or _keeps_other_paces(cells, clock)
            ):
                return head
    return None


def _long_stretches(cells: np.ndarray, least: int) -> bool:
    """Whether few words stand in many rows each, one after the other."""
    changes = int((cells[1:] != cells[:-1]).sum())
    return least <= len(np.unique(cells)) <= _PHASES and changes * _ROWS_EACH <= len(cells)


def _keeps_other_paces(cells: np.ndarray, clock: Float | None) -> bool:
    """Whether each word's usual step of the clock is another than that of the next."""
    if clock is None:
        return False
    step, word = np.diff(clock), cells[:-1]
    good = np.isfinite(step) & (step > 0) & (word == cells[1:])
    usual = [float(np.median(step[good & (word == one)])) for one in np.unique(word)
             if (good & (word == one)).sum() >= _ENOUGH]  # fmt: skip
    apart = np.sort(usual)
    return len(apart) > 1 and bool((apart[1:] / apart[:-1] >= _OTHER_PACE).any())


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
