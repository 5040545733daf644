"""Many questions at once: keeping the chance of any false name, or the share of them, low."""

import numpy as np
from numpy.typing import ArrayLike

from looptime.stats.arrays import Float

__all__ = ["benjamini_hochberg", "holm"]


def _as_p(p: ArrayLike) -> Float:
    values = np.asarray(p, dtype=np.float64)
    if values.ndim != 1 or not ((values >= 0) & (values <= 1)).all():
        raise ValueError("p-values must be a list of numbers from 0 to 1")
    return values


def holm(p: ArrayLike, weight: ArrayLike | None = None) -> Float:
    """p-values adjusted so that "any false name" keeps its level, whatever the dependence.

    In rising order of ``p / w``: ``q_(i) = max_(j <= i) min(1, p_(j) sum_(k >= j) w_(k) / w_(j))``;
    with equal weights the factor is ``m - j + 1``. For anything that blocks.

    Parameters
    ----------
    p : array_like, shape (m,)
        Raw p-values of the whole family.
    weight : array_like, shape (m,), optional
        What each question is worth, above 0; all alike where it is not given.

    Returns
    -------
    float array, shape (m,)
        Adjusted, in the order given.

    Raises
    ------
    ValueError
        If a value is not within 0 .. 1.

    References
    ----------
    Holm's sequentially rejective procedure, plain and weighted.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    array([0.03, 0.06, 0.06])
    >>> holm([0.02, 0.02], [3, 1]).round(4)
    array([0.0267, 0.0267])
    """
    values = _as_p(p)
    w = np.ones(len(values)) if weight is None else np.asarray(weight, np.float64)
    order = np.argsort(values / w, kind="stable")
    left = np.cumsum(w[order][::-1])[::-1]
    scaled = np.minimum(values[order] * left / w[order], 1.0)
    out = np.empty_like(values)
    out[order] = np.maximum.accumulate(scaled)
    return out


def benjamini_hochberg(p: ArrayLike) -> Float:
    """p-values adjusted so that the expected share of false names in a list keeps its level.

    In rising order ``q_(i) = min_(j >= i) min(1, m p_(j) / j)``. For a ranked "look here" list.

    Parameters
    ----------
    p : array_like, shape (m,)
        Raw p-values of the whole family.

    Returns
    -------
    float array, shape (m,)
        Adjusted, in the order given.

    Raises
    ------
    ValueError
        If a value is not within 0 .. 1.

    References
    ----------
    Benjamini and Hochberg's false discovery rate.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.04, 0.03])
    array([0.03, 0.04, 0.04])
    """
    values = _as_p(p)
    order = np.argsort(values, kind="stable")
    scaled = np.minimum(values[order] * len(values) / np.arange(1, len(values) + 1), 1.0)
    out = np.empty_like(values)
    out[order] = np.minimum.accumulate(scaled[::-1])[::-1]
    return out
