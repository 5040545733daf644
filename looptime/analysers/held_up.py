"""Long turns of a call that end on another's beat, as those of one that waits for it do."""

import numpy as np

from looptime.array_types import Float, Int
from looptime.stats.arrays import median
from looptime.stats.mechanism import Mechanism, Rule
from looptime.stats.quantiles import percentiles

__all__ = ["HELD", "held_up"]

#: Name of the rule.
HELD = "held"
#: Turns from which on it is looked for; steps this near the usual one, as a share of it, keep it;
#: so many must; and of those about as long the ends' must scatter so much less than the begins'.
_FEWEST, _NEAR, _KEPT, _CLOSER, _ABOUT = 20, 0.03, 0.5, 0.5, 0.25


def held_up(begin: Float, end: Float, tolerance: float) -> tuple[Mechanism, Int]:
    """The beat on which long turns end wherever they begin, and those that do; else no name.

    What another thread or device holds for a while, again and again, makes a call long that asks
    in the meantime: at some instant of that while, but the call goes on when the other lets go.
    What goes by a count or a clock of the call's own begins as evenly as it ends.

    Parameters
    ----------
    begin, end : float array, shape (k,)
        Of each long turn, rising.
    tolerance : float
        Uncertainty of an instant [same unit].

    Examples
    --------
    >>> lets_go = 30.0 * np.arange(1, 60)
    >>> asks = lets_go - np.random.default_rng(1).uniform(1, 7, 59)
    >>> held_up(asks, lets_go, 0.02)[0].value
    30.0
    >>> held_up(lets_go, lets_go + 5.0, 0.02)[0].name
    ''
    """
    nothing = Mechanism(), np.empty(0, np.int64)
    if len(end) < _FEWEST:
        return nothing
    step = np.diff(end)
    beat = median(step)
    near = np.abs(step - beat) <= max(_NEAR * beat, tolerance)
    kept = float(near.mean())
    if beat <= 0 or kept < _KEPT:
        return nothing
    low, high = _around(step, beat)
    first, last = _around(np.diff(begin), beat)
    if high - low + tolerance > _CLOSER * (last - first):
        return nothing
    rule = Rule(HELD, beat, low, high, int((~near).sum()))
    on_it = np.append(near, False) | np.append(False, near)
    return Mechanism(HELD, beat, kept, (rule,)), np.flatnonzero(on_it)


def _around(step: Float, beat: float) -> tuple[float, float]:
    """Quartiles of the steps about as long as the beat: some turns are missed or come twice."""
    about = step[np.abs(step - beat) < _ABOUT * beat]
    low, high = percentiles(about if len(about) else step, [25, 75])
    return float(low), float(high)
