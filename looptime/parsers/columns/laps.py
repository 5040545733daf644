"""Instants within the loop: laps counted from its start, or of a counter that wraps with it."""

from itertools import pairwise

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.against_steps import holds_others
from looptime.parsers.columns.evidence import marked, rises
from looptime.parsers.columns.headers import Head
from looptime.parsers.columns.lexicon import meaning, tokens
from looptime.parsers.columns.unit import in_16_bits
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.stats.arrays import straight

__all__ = ["LAP", "adds_up", "find_laps", "lengths_of", "wrapping_instants"]

#: Why a column of a log without a clock is taken for one.
LAP = "an instant since the loop's start: in every row it holds the column before and what it adds"

_LAPS = frozenset(("lap", "split", "mark", "checkpoint"))
#: Of these either the length or the instant at its end is meant.
_EITHER = frozenset(("lap", "split"))
#: Slope of an instant over the one before, at least; how little one varies that waits for a tick.
_LATER_BY, _AT_ITS_TICK = 0.6, 0.01
#: Share of the rows in which laps follow one another.
_MOST = 0.99
#: Columns and rows that tell laps by values alone.
_FEWEST, _ENOUGH = 3, 50
#: How much longer lengths may be than their loop, and how far their sum must come nearer to it than
#: the last of them does.
_OVER, _CLEAR = 0.02, 0.5
#: Rank correlation of a lap with what the next adds to it, at most, and with the next, at least.
_APART, _TOGETHER = 0.3, 0.3
#: Different values from which on columns out of their order tell that they are laps.
_DIFFERENT = 8


def find_laps(found: list[Head], dialect: Dialect, clock: Head | None) -> dict[int, int]:
    r"""The column from which each lap of a loop counts on; no column where none is one.

    Parameters
    ----------
    found : list of Head
        Columns of a log of one row a loop.
    dialect : Dialect
        With its first rows.
    clock : Head or None
        That stands beside them: without one, nothing but laps tells how long loops are. Beside one,
        laps that no header names have a unit, or the clock's steps go with the last of them.

    Returns
    -------
    dict of int to int
        By place in the row: column of the lap before, -1 for the first.

    Examples
    --------
    >>> from looptime.parsers.columns.headers import heads
    >>> from looptime.parsers.text.sniff import sniff
    >>> rows = "".join(f"{20 * k},{2 + k % 3},{9 - k % 2}\n" for k in range(30))
    >>> like = sniff("t_ms,after_gyro_ms,after_drive_ms\n" + rows, "a.csv")
    >>> find_laps(heads(like.header), like, None)
    {1: -1, 2: 1}
    """
    named = [h for h in found if marked(h).side == "end" or _LAPS & set(tokens(h.text))]
    named = [h for h in named if marked(h).stem or marked(h).side != "end"]
    laps = [h for h in named if _within_the_loop(numbers(dialect, h.index))]
    if len(laps) > 1 and _lengths_called_laps(laps, dialect):
        return {}
    if len(laps) < 2:
        laps = [h for h in found if meaning(h.text) in ("bare", "duration", "clock")]
        laps = [h for h in laps if _within_the_loop(numbers(dialect, h.index))]
        values = np.array([numbers(dialect, h.index) for h in laps])
        if not laps or not adds_up(values) or _coarse_and_mixed(values):
            return {}
        if clock is not None and not any(h.unit for h in laps):
            last = np.stack([numbers(dialect, h.index) for h in laps]).max(axis=0)
            if not _goes_with(last[:-1], np.diff(numbers(dialect, clock.index))):
                return {}
    if len(laps) < 2 or len({h.unit for h in laps}) > 1:
        return {}
    values = np.stack([numbers(dialect, h.index) for h in laps])
    order = np.argsort(np.nanmedian(values, axis=1), kind="stable")
    values = values[order]
    known = values[:, np.isfinite(values).all(axis=0)]
    if known.shape[1] < 3 or not ((np.diff(known, axis=0) >= 0).all(axis=0)).mean() >= _MOST:
        return {}
    if any(lengths_of(whole, values) for whole in _wholes(found, dialect, clock)):
        return {}
    places = [laps[at].index for at in order]
    return dict(zip(places, [-1, *places[:-1]], strict=True))


def _wholes(found: list[Head], dialect: Dialect, clock: Head | None) -> list[Float]:
    """What tells how long each loop was: columns named so, and the clock's steps."""
    named = [h for h in found if meaning(h.text) in ("whole", "period", "busy")]
    wholes = [numbers(dialect, head.index) for head in named]
    if clock is not None:
        step = np.diff(numbers(dialect, clock.index))
        wholes += [np.append(step, np.nan), np.append(np.nan, step)]
    return wholes


def lengths_of(whole: Float, values: Float) -> bool:
    """Whether the loop is as long as values are together: lengths, and not instants in it.

    A loop is over with its last instant, or some time after it. From row to row, what is left of
    it changes less beside whichever of the two it is made of; slow changes say nothing.

    Parameters
    ----------
    whole : float64 array, shape (n,)
        How long each loop was, in any unit; NaN where nobody knows.
    values : float64 array, shape (k, n)
        Of k columns in one unit.

    Examples
    --------
    >>> import numpy as np
    >>> took = np.random.default_rng(1).uniform(1, 3, (3, 200))
    >>> whole = took.sum(axis=0) + 0.3
    >>> lengths_of(whole / 1e3, took), lengths_of(whole, np.cumsum(took, axis=0))
    (True, False)
    """
    there = np.isfinite(whole) & np.isfinite(values).all(axis=0)
    whole, total, last = whole[there], values[:, there].sum(axis=0), values[:, there].max(axis=0)
    if len(whole) < _ENOUGH or not min(np.median(whole), np.median(total)) > 0:
        return False
    whole = whole / 1e3 ** np.rint(np.log(np.median(whole) / np.median(total)) / np.log(1e3))
    varies, left, beside = (_moves(one) for one in (whole, whole - total, whole - last))
    fits = (total <= (1 + _OVER) * whole).mean() >= _MOST
    return bool(fits and left < _CLEAR * min(varies, beside))


def _moves(values: Float) -> float:
    """How far values usually go from one row to the next."""
    return float(np.median(np.abs(np.diff(values))))


def _lengths_called_laps(laps: list[Head], dialect: Dialect) -> bool:
    """Whether laps are each as long as it took, and none counts from the start of the loop.

    Those that do rise along the row, unless columns stand in another order; and as one is later by
    some time so are the ones after it.
    """
    if any(_EITHER.isdisjoint(tokens(head.text)) for head in laps):
        return False
    values = np.stack([numbers(dialect, head.index) for head in laps])
    values = values[:, np.isfinite(values).all(axis=0)]
    if values.shape[1] < _ENOUGH:
        return bool((np.diff(np.median(values, axis=1)) < 0).any()) if values.size else False
    order = np.argsort(np.median(values, axis=1), kind="stable")
    values = values[order]
    if np.std(values[-1]) < _AT_ITS_TICK * np.median(values[-1]):
        values = values[:-1]  # a wait ends then, however late what stands before it is
    slopes = [_slope(one, later) for one, later in pairwise(values)]
    if (np.diff(order) > 0).all():
        return bool(slopes) and all(most < _LATER_BY for _, most in slopes)
    return not slopes or any(slope < _LATER_BY for slope, _ in slopes)


def _slope(one: Float, later: Float) -> tuple[float, float]:
    """Slope of a lap over the one before, and the most that it may be."""
    line = straight(one, later)
    if line is None:
        return 0.0, np.inf
    error = np.std(later) / np.std(one) * np.sqrt((1 - line[1] ** 2) / len(one))
    return line[0], line[0] + 3 * float(error)


def adds_up(values: Float) -> bool:
    """Whether each value of a loop holds the one before and something of its own: instants.

    What a lap adds goes its own way, so it is independent of the lap before, while the laps go
    together. Of lengths side by side the difference falls as the shorter one grows, of lengths
    that grow alike it rises.

    Parameters
    ----------
    values : float64 array, shape (k, n)
        Of k laps in n loops, NaN where there is none.

    Examples
    --------
    >>> import numpy as np
    >>> took = np.random.default_rng(1).uniform(1, 3, (4, 200))
    >>> adds_up(np.cumsum(took, axis=0)), adds_up(took * np.array([[1], [4], [16], [64]]))
    (True, False)
    """
    values = values[:, np.isfinite(values).all(axis=0)]
    if len(values) < _FEWEST or values.shape[1] < _ENOUGH:
        return False
    values = values[np.ptp(values, axis=1) > 0]
    values = values[np.argsort(np.median(values, axis=1), kind="stable")]
    added: Float = values[1:] - values[:-1]
    if len(values) < _FEWEST or not (added >= 0).all(axis=0).mean() >= _MOST:
        return False
    if holds_others(values, len(values) - 1):  # lengths and their sum
        return False
    values, added = np.diff(values), np.diff(added)  # a loop that speeds up says nothing of laps
    apart = [_ranked(one, more) for one, more in zip(values, added, strict=False)]
    together = [_ranked(one, other) for one, other in pairwise(values)]
    return max(map(abs, apart)) < _APART and float(np.median(together)) > _TOGETHER


def _coarse_and_mixed(values: Float) -> bool:
    """Whether columns that no header calls laps rise in another order than they stand in, and
    hold too few different values to tell instants from lengths.

    Examples
    --------
    >>> gyro, wheels, servo = [2.0, 2, 3, 2], [7.0, 6, 7, 7], [3.0, 3, 4, 3]
    >>> _coarse_and_mixed(np.array([gyro, wheels, servo]))
    True
    >>> _coarse_and_mixed(np.array([gyro, servo, wheels]))
    False
    """
    medians = np.nanmedian(values, axis=1)
    few = min(len(np.unique(one[np.isfinite(one)])) for one in values)
    return bool((np.diff(medians) < 0).any()) and few < _DIFFERENT


def _goes_with(last: Float, step: Float) -> bool:
    """Whether loops are longer where their last lap is later."""
    known = np.isfinite(last) & np.isfinite(step)
    return int(known.sum()) >= _ENOUGH and _ranked(last[known], step[known]) > _TOGETHER


def _ranked(one: Float, other: Float) -> float:
    """Rank correlation (Spearman), 0 where one never varies."""
    if not (np.ptp(one) and np.ptp(other)):
        return 0.0
    ranks = [np.argsort(np.argsort(values, kind="stable")) for values in (one, other)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def _within_the_loop(values: Float) -> bool:
    """Whether values begin anew with each row."""
    return bool(np.isfinite(values).any()) and not rises(values)


def wrapping_instants(found: list[Head], dialect: Dialect) -> tuple[Head, ...]:
    """Instants of a counter of 16 bits that wraps every few loops, in the order of time; or none.

    Each is one, and they follow one another within every row, counted on from the first.
    """
    ours = [h for h in found if in_16_bits(_known(h, dialect))]
    if len(ours) < 2 or len({h.unit for h in ours}) > 1:
        return ()
    values = np.stack([numbers(dialect, h.index) for h in ours])
    values = values[:, np.isfinite(values).all(axis=0)]
    if values.shape[1] < 20 or (np.diff(values[0]) < 0).mean() < 0.02:
        return ()  # a counter that hardly ever wraps rises
    on = (values - values[0]) % 2**16
    order = np.argsort(np.median(on, axis=1), kind="stable")
    on, step = on[order], np.diff(values[order[0]]) % 2**16
    orderly = (np.diff(on, axis=0) >= 0).all(axis=0)[:-1] & (on[-1, :-1] <= 1.02 * step + 2)
    return tuple(ours[at] for at in order) if orderly.mean() >= 0.98 else ()


def _known(head: Head, dialect: Dialect) -> Float:
    values = numbers(dialect, head.index)
    return values[np.isfinite(values)]
