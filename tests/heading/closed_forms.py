"""What even loops do in a steady turn, in closed form."""

import math

import numpy as np

__all__ = ["even_lateral", "even_path_ratio"]


def even_lateral(turn_rate: float, latency_s: float, period_s: float) -> float:
    """Sideways distance over distance driven: the mean of ``sin(w a)`` over ages a of L to L + T.

    ``sin(w (L + T/2)) sin(x)/x`` with ``x = w T/2``.
    """
    x = turn_rate * period_s / 2
    return math.sin(turn_rate * (latency_s + period_s / 2)) * math.sin(x) / x


def even_path_ratio(turn_rate: float, period_s: float, heading: str) -> complex:
    """Computed path over true path for constant speed, by the heading that a step uses.

    ``(x / sin x) exp(-i x)`` with that at its start, ``x / sin x`` with the mean, 1 for an arc;
    ``x = w T/2``.
    """
    x = turn_rate * period_s / 2
    stretch = x / math.sin(x)
    return {"start": stretch * complex(np.exp(-1j * x)), "mid": stretch + 0j, "arc": 1 + 0j}[
        heading
    ]
