"""Rows of several kinds, each behind its word, whose columns the lines above the rows name."""

import re
from collections.abc import Sequence
from dataclasses import replace

from looptime.parsers.columns.headers import is_bare_unit
from looptime.parsers.columns.lexicon import meaning, of_a_clock
from looptime.parsers.text.dialect import KIND_OF_ROW, Dialect, is_number

__all__ = ["named_by_kind"]

_WORD = re.compile(r"\w+")


def named_by_kind(dialect: Dialect, above: Sequence[str]) -> Dialect:
    """A table without a header with the names that a line above states of rows like its own.

    Its rows all begin with one word, which that line begins with, too, and hold as many cells
    behind it as it has names, one of which names a clock or a period: notes on a run name none.
    Rows of other words, and so of other columns, are no rows of it.

    Parameters
    ----------
    dialect : Dialect
        How the log is written, with its first rows.
    above : sequence of str
        Lines above the rows.

    Examples
    --------
    >>> rows = tuple(("L", str(20 * k), "812") for k in range(9))
    >>> bare = Dialect(",", ".", None, 0, 3, 3, sample=rows)
    >>> named_by_kind(bare, ["# L = a loop: t_ms, imu_us", "# W = the writer: t_ms"]).header
    ('kind_of_row', 't_ms', 'imu_us')
    >>> named_by_kind(bare, ["# L: t_ms, imu_us, arm_us"]).header is None
    True
    >>> named_by_kind(bare, ["# L = taken at: noon, hall"]).header is None
    True
    """
    kinds = {row[0] for row in dialect.sample if row}
    if dialect.header is not None or len(kinds) != 1 or dialect.fields < 2:
        return dialect
    kind = kinds.pop()
    if is_number(kind, dialect.decimal):
        return dialect
    for line in above:
        at = max(line.rfind(":"), line.rfind("="))  # what is said of a kind may hold either
        word = _WORD.match(line[:at].lstrip("#/%;!* \t"))
        names = _split(line[at + 1 :], dialect.fields - 1)
        if at > 0 and _are_columns(names) and word is not None and word[0] == kind:
            return replace(dialect, header=(KIND_OF_ROW, *names))
    return dialect


def _are_columns(names: list[str]) -> bool:
    """Whether names are those of a loop's columns: each its own, and one of them tells the time."""
    tells = any(
        (of_a_clock(name) or meaning(name) == "period") and not is_bare_unit(name) for name in names
    )
    return tells and len(set(names)) == len(names)


def _split(text: str, wanted: int) -> list[str]:
    """Names that are set apart by commas, or by anything else that makes as many."""
    for mark in (",", ";", "|", None):
        names = [name.strip() for name in text.split(mark)]
        if len(names) == wanted and all(names) and not any(map(is_number, names)):
            return names
    return []
