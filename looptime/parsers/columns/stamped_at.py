"""Which end of its loop a row is stamped at."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.parsers.columns.against_steps import ENOUGH, SURE_Z, over, slope
from looptime.parsers.columns.role import Stamped

__all__ = ["stamped"]


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


def _correlation(x: Float, y: Float) -> float:
    fit = slope(x, y)
    return 0.0 if fit is None else float(np.sign(fit[0]) * np.sqrt(fit[1]))
