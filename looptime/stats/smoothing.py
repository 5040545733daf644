"""Cubic smoothing splines, and piecewise cubics as a function that is differentiated exactly.

To load a library's splines takes longer than to read a minute of loops; what is needed of them is
one system of five diagonals.
"""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.records import dataclass

__all__ = ["Pieces", "smoothing_spline"]


@dataclass(frozen=True)
class Pieces:
    """A polynomial between each two knots; beyond the outer knots the outer ones go on.

    Examples
    --------
    >>> square = Pieces(np.array([0.0, 1.0, 2.0]), np.array([[1.0, 1.0], [0.0, 2.0], [0.0, 1.0]]))
    >>> square(np.array([0.5, 1.5])).tolist(), square.derivative()(np.array([0.5, 1.5])).tolist()
    ([0.25, 2.25], [1.0, 3.0])
    >>> square.antiderivative()(np.array([0.0, 1.0, 3.0])).round(9).tolist()
    [0.0, 0.333333333, 9.0]
    """

    knots: Float  #: Ascending, shape (n,)
    #: Coefficients of each piece by the distance from its first knot, the highest power first,
    #: shape (k, n - 1).
    powers: Float

    def __call__(self, at: Float) -> Float:
        """Value at each place."""
        piece = np.clip(np.searchsorted(self.knots, at, "right") - 1, 0, len(self.knots) - 2)
        beyond = at - self.knots[piece]
        made = self.powers[0][piece]
        for power in self.powers[1:]:
            made = made * beyond + power[piece]
        return made

    def derivative(self) -> Pieces:
        """The derivative."""
        factor = np.arange(len(self.powers) - 1, 0, -1.0)
        return Pieces(self.knots, self.powers[:-1] * factor[:, None])

    def antiderivative(self) -> Pieces:
        """The integral from the first knot on."""
        factor = np.arange(len(self.powers), 0, -1.0)
        raised = np.vstack([self.powers / factor[:, None], np.zeros(len(self.knots) - 1)])
        width, reached = np.diff(self.knots), np.zeros(len(self.knots) - 1)
        for power in raised[:-1]:
            reached = (reached + power) * width
        raised[-1] = np.append(0.0, np.cumsum(reached)[:-1])
        return Pieces(self.knots, raised)


def smoothing_spline(x: Float, y: Float, weight: float) -> Pieces:
    """The function with the least sum of squared distances from points and weighted curvature.

    Of all functions ``f`` it makes ``sum (y - f(x))^2 + weight * integral f''^2`` least.

    Parameters
    ----------
    x, y : float array, shape (n,)
        The points, at least three; `x` ascending, none twice.
    weight : float
        0 goes through every point, a large one to the straight line of least squares.

    Returns
    -------
    Pieces
        A cubic between each two of `x`.

    References
    ----------
    Reinsch (1967), Smoothing by spline functions; Green and Silverman (1994), chapter 2.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0, 4.0])
    >>> smoothing_spline(x, 2 * x + 1, 5.0)(np.array([0.5, 3.0])).round(9).tolist()
    [2.0, 7.0]
    """
    width = np.diff(x)
    slope = np.diff(y) / width
    inner, outer = 1 / width[:-1], 1 / width[1:]
    middle = -(inner + outer)
    main = (width[:-1] + width[1:]) / 3 + weight * (inner**2 + middle**2 + outer**2)
    first = width[1:-1] / 6 + weight * (middle[:-1] * inner[1:] + outer[:-1] * middle[1:])
    second = weight * outer[:-2] * inner[2:]
    bend = np.zeros(len(x))
    bend[1:-1] = _solved(main.tolist(), first.tolist(), second.tolist(), np.diff(slope).tolist())
    fitted = y - weight * np.diff(np.diff(bend) / width, prepend=0.0, append=0.0)
    rise = np.diff(fitted) / width - width * (2 * bend[:-1] + bend[1:]) / 6
    return Pieces(x, np.array([np.diff(bend) / width / 6, bend[:-1] / 2, rise, fitted[:-1]]))


def _solved(
    main: list[float], first: list[float], second: list[float], right: list[float]
) -> Float:
    """Solve a symmetric positive definite system of five diagonals, by its factors L D L'.

    Examples
    --------
    >>> _solved([2.0, 3.0, 4.0], [1.0, 1.0], [0.5], [5.5, 10.0, 14.5]).tolist()
    [1.0, 2.0, 3.0]
    """
    n = len(main)
    first, second = [*first, 0.0], [*second, 0.0, 0.0]
    pivot, near, far, made = ([0.0] * (n + 2) for _ in range(4))  # two before the first are none
    for i in range(n):
        a, b = near[i + 1], far[i]
        pivot[i + 2] = main[i] - a * a * pivot[i + 1] - b * b * pivot[i]
        near[i + 2] = (first[i] - a * far[i + 1] * pivot[i + 1]) / pivot[i + 2]
        far[i + 2] = second[i] / pivot[i + 2]
        made[i + 2] = right[i] - a * made[i + 1] - b * made[i]
    made = [z / d for z, d in zip(made[2:], pivot[2:], strict=True)] + [0.0, 0.0]
    for i in range(n - 1, -1, -1):
        made[i] -= near[i + 2] * made[i + 1] + far[i + 2] * made[i + 2]
    return np.array(made[:n])
