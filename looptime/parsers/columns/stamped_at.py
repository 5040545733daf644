"""Which end of its loop a row is stamped at."""

import numpy as np

from looptime.array_types import Float, Int
from looptime.parsers.columns.against_steps import ENOUGH, SURE_Z, over, slope
from looptime.parsers.columns.role import Stamped

__all__ = ["stamped", "stamped_by_phases"]

#: How much longer the loops of one phase are than those of the next, for a change to tell; how
#: near to either the step at the change is; and how many changes, of which share, are to agree.
_OTHER_PACE, _NEAR, _CHANGES, _AGREE = 1.25, 0.2, 2, 0.8


def stamped(total: Float, after: Float) -> Stamped:
    """Tell whether rows are stamped at the start or at the end of their loops.

    Parameters
    ----------
    total : float64 array, shape (n,) [ns]
        What the parts of each row add up to.
    after : float64 array, shape (n,) [ns]
        The clock's step after each row.

    Notes
    -----
    With the correlations r of the sums with the steps after and before, Fisher's z = artanh(r) has
    the standard error 1/sqrt(n - 3) each; six of their difference decide, since the lengths of
    loops have heavy tails.

    Examples
    --------
    >>> import numpy as np
    >>> work = 5 + (np.arange(100) * 37 % 11) * 1.0
    >>> stamped(work, work + 1).side, stamped(work, np.append(work[1:], np.nan) + 1).side
    ('start', 'end')
    """
    now, then = total[1:-1], after[1:-1]
    before = after[:-2]
    good = np.isfinite(now) & np.isfinite(then) & np.isfinite(before)
    if good.sum() < ENOUGH:
        return Stamped("", "too few rows to tell")
    now, then, before = now[good], then[good], before[good]
    own, last = _correlation(now, then), _correlation(now, before)
    error = np.sqrt(2 / (len(now) - 3))
    z = float(np.diff(np.arctanh(np.clip([own, last], -0.9999, 0.9999)))[0]) / error
    told = f"the parts go with the step after the row by {own:.2f}, before it by {last:.2f}"
    if max(own, last) > 0.1 and abs(z) > SURE_Z:
        return Stamped("end" if z > 0 else "start", told)
    late, early = over(now, then), over(now, before)
    if late > 0.02 and late > 4 * early:
        return Stamped("end", f"{100 * late:.0f} % of the rows are longer than the step after them")
    if early > 0.02 and early > 4 * late:
        return Stamped(
            "start", f"{100 * early:.0f} % of the rows are longer than the step before them"
        )
    return Stamped("", f"can't tell: {told}")


def stamped_by_phases(step: Float, phase: Int) -> Stamped:
    """Tell it by the step to the first row of each phase: the loop is of the one or of the other.

    Parameters
    ----------
    step : float64 array, shape (n - 1,)
        The clock's steps from row to row.
    phase : int array, shape (n,)
        Phase of each row.

    Examples
    --------
    >>> import numpy as np
    >>> phase = np.arange(90) // 30 % 2
    >>> pace = np.where(phase == 0, 40.0, 10.0)
    >>> stamped_by_phases(pace[1:], phase).side, stamped_by_phases(pace[:-1], phase).side
    ('end', 'start')
    """
    same = phase[1:] == phase[:-1]
    usual = {int(one): float(np.median(step[same & (phase[1:] == one)]))
             for one in np.unique(phase[1:][same])}  # fmt: skip
    ends: list[bool] = []
    for at in np.flatnonzero(~same).tolist():
        old, new = (usual.get(int(phase[at + k]), 0.0) for k in (0, 1))
        if min(old, new) > 0 and max(old, new) > _OTHER_PACE * min(old, new):
            off = abs(step[at] - np.array([old, new])) / (old, new)
            ends += [bool(off[1] < off[0])] if off.min() < _NEAR else []
    share = float(np.mean(ends)) if len(ends) >= _CHANGES else 0.5
    told = f"at {len(ends)} changes of phase the step before the row is as long as those of its"
    if share >= _AGREE:
        return Stamped("end", f"{told} own phase")
    return Stamped("start" if share <= 1 - _AGREE else "", f"{told} own phase or of the last")


def _correlation(x: Float, y: Float) -> float:
    fit = slope(x, y)
    return 0.0 if fit is None else float(np.sign(fit[0]) * np.sqrt(fit[1]))
