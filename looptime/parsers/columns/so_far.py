"""Statistics of a length that each row states of the run so far: its mean, its longest."""

from collections.abc import Sequence

import numpy as np

from looptime.array_types import Bool, Float
from looptime.parsers.columns.add_up import printed
from looptime.parsers.columns.against_steps import ENOUGH
from looptime.parsers.columns.role import Role, Seen

__all__ = ["is_longest", "is_mean", "so_far"]

#: Share of the rows in which it must hold, and the most of a new length that a running mean takes.
_HOLDS, _TAKES = 0.98, 0.6
#: How closely a running mean must follow: share of the variance of its steps, and how many digits.
_FOLLOWS, _DIGITS = 0.9, 1.6
#: How often a longest value rises at least, and in what share of the rows at most.
_RISES, _SELDOM = 2, 0.2
#: What else may be taken for a length, and of how many columns each is held against each.
_LENGTHS, _SEARCHED = ("setting", "whole", "period"), 40


def so_far(seen: Sequence[Seen], roles: dict[int, Role]) -> dict[int, Role]:
    """Columns that say of another length what it was so far: they are lengths, and no parts.

    Examples
    --------
    >>> took = np.random.default_rng(1).uniform(9, 11, 40).round(2)
    >>> seen = [Seen("duration", took), Seen("duration", np.maximum.accumulate(took))]
    >>> {at: (r.taken_as, r.why) for at, r in so_far(seen, {}).items()}
    {1: ('beside', 'it is the longest of  so far')}
    """
    lengths = [at for at, one in enumerate(seen)
               if one.meaning in ("duration", "bare", "setting") and len(one.values) >= ENOUGH
               and (at not in roles or roles[at].taken_as in _LENGTHS)][:_SEARCHED]  # fmt: skip
    made: dict[int, Role] = {}
    if len(lengths) < 2:
        return made
    table = np.stack([seen[at].values for at in lengths], axis=1)
    for place, at in enumerate(lengths):
        one = seen[at].values
        rises = not (np.diff(one) < 0).any()
        follows = _may_follow(table, place)
        for other, may in zip(lengths, follows.tolist(), strict=True):
            if other == at or other in made or seen[at].unit_ns != seen[other].unit_ns:
                continue
            length = seen[other].values
            said = "longest" if rises and is_longest(one, length) else ""
            said = said or ("mean" if may and is_mean(one, length) else "")
            if said:
                why = f"it is the {said} of {seen[other].name} so far"
                made[at] = Role("beside", seen[at].unit_ns, "", why)
                break
    return made


def _may_follow(table: Float, place: int) -> Bool:
    """Of which columns one may be the running mean, all at once: `is_mean` looks closer."""
    one = table[:, place]
    step, new, digit = np.diff(one)[:, None], table[1:] - one[:-1, None], printed(one)
    may = np.zeros(table.shape[1], np.bool_)
    if not np.isfinite(step).any():  # no two rows in turn hold it
        return may
    most = max((1 - _FOLLOWS) * float(np.nanmean(step**2)), digit**2 / 4)
    with np.errstate(divide="ignore", invalid="ignore"):
        for weight in (1.0, 1.0 / np.arange(2.0, len(one) + 1)[:, None]):
            by = new * weight
            left = step - by * ((step * by).sum(axis=0) / (by**2).sum(axis=0))
            may |= ~(np.mean(left**2, axis=0) > most)  # with gaps nothing is told
    return may


def is_longest(one: Float, length: Float) -> bool:
    """Whether a column is the longest of another's values so far, or from some row on.

    Examples
    --------
    >>> took = np.array([3, 2, 5, 4, 1, 3, 2, 6, 1, 1, 2, 3.0])
    >>> is_longest(np.maximum.accumulate(took), took)
    True
    """
    rows = _both(one, length)
    steps = np.diff(one[rows])
    rises = np.count_nonzero(steps > 0)
    if not _RISES <= rises <= _SELDOM * rows.sum() or (steps < 0).any():
        return False
    here = np.maximum(np.maximum.accumulate(length[rows]), one[rows][0])
    coarse = 0.51 * printed(one) if printed(one) > printed(length) else 0.0
    return bool((np.abs(here - one[rows]) <= coarse + 1e-9).mean() >= _HOLDS)


def is_mean(one: Float, length: Float) -> bool:
    """Whether a column is another's running mean: its steps are a share of what is new in it.

    With a the share, y' - y = a (x' - y), or 1 / k of it in row k where all rows count alike.

    Examples
    --------
    >>> took = np.random.default_rng(1).uniform(9, 11, 60)
    >>> is_mean(np.cumsum(took) / np.arange(1, 61), took), is_mean(took, took[::-1])
    (True, False)
    """
    rows = _both(one, length)
    y, x = one[rows], length[rows]
    if len(y) < ENOUGH or np.ptp(x) == 0 or np.ptp(y) == 0:
        return False
    step, new, digit = np.diff(y), x[1:] - y[:-1], printed(y) + 1e-9 * float(np.ptp(y))
    if not new.any():  # each row states the length of the next one
        return False
    for weight in (np.ones(len(new)), 1.0 / np.arange(2.0, len(y) + 1)):
        by = new * weight
        squares = float(by @ by)
        if not squares:  # of values so small that floats have no squares of them
            return False
        share = float(step @ by) / squares
        left = step - share * by
        exact = (np.abs(left) <= _DIGITS * digit).mean() >= _HOLDS
        tells = float(np.mean((share * by) ** 2)) > digit**2
        follows = float(np.mean(left**2)) <= max(
            (1 - _FOLLOWS) * float(np.mean(step**2)), digit**2 / 4
        )
        if 0 < share * float(np.median(weight)) < _TAKES and exact and tells and follows:
            return True
    return False


def _both(one: Float, other: Float) -> Bool:
    known = np.isfinite(one) & np.isfinite(other)
    return known if known.sum() >= 4 else np.zeros(len(one), np.bool_)
