"""Loops that lack a section which all others hold once, or hold it twice."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Int

__all__ = ["odd_turns", "out_of_turn"]

#: A section is in its turn if this share of the loops, and of so many, hold it once.
_ONCE, _FEWEST = 0.98, 30


def odd_turns(name: Int, loop: Int) -> Int:
    """Loops that do not hold once each section that nearly all hold once.

    Rows that were lost, or that stand elsewhere, leave such loops; so does a section that is left
    out now and then, and nothing in the log tells which it was.

    Parameters
    ----------
    name : int array, shape (m,)
        Codes of the sections.
    loop : int array, shape (m,)
        The loop of each, from 0, never falling.

    Examples
    --------
    >>> name, loop = np.tile([0, 1, 2], 50), np.repeat(np.arange(50), 3)
    >>> odd_turns(np.delete(name, 31), np.delete(loop, 31)), odd_turns(name, loop)
    (array([10]), array([], dtype=int64))
    """
    loops = int(loop[-1]) + 1 if len(loop) else 0
    if loops < _FEWEST:
        return np.empty(0, np.int64)
    pair, count = np.unique(name.astype(np.int64) * loops + loop, return_counts=True)
    single = count == 1
    once = np.bincount(pair[single] // loops)
    usual = np.flatnonzero(once >= _ONCE * loops)
    held = single & np.isin(pair // loops, usual)
    return np.flatnonzero(np.bincount(pair[held] % loops, minlength=loops) < len(usual))


def out_of_turn(loops: int, line: int) -> str:
    """A caution about so many loops, the first of which begins at a line.

    Examples
    --------
    >>> out_of_turn(2, 40)[:52]
    '2 loops lack or repeat what nearly all hold once, th'
    """
    many = "1 loop lacks or repeats" if loops == 1 else f"{loops:,} loops lack or repeat"
    return (
        f"{many} what nearly all hold once, the first at line {line}: left out there, or rows are "
        "lost or stand elsewhere"
    )
