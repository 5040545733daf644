"""A log cut into stretches for a fit, and least squares over them.

Each stretch has a state of its own at its beginning, and what it leaves may hang together.
"""

from __future__ import annotations

import numpy as np

from looptime.array_types import Bool, Float
from looptime.controlling.law import Plant
from looptime.errors import NotEnoughError
from looptime.records import dataclass

__all__ = ["LEAST_STRETCHES", "LEAST_VALUES", "Stretches", "clustered", "cut_up"]

#: Length of a stretch [s], and fewest values and stretches of a fit.
STRETCH_S, LEAST_VALUES, LEAST_STRETCHES = 2.0, 12, 4


@dataclass(frozen=True)
class Stretches:
    """Events of each stretch as columns; all of shape (steps, stretches) but `length`.

    An event is an instant at which the output changes or a value is true.
    """

    gap: Float
    since: Float
    output: Float
    value: Float
    there: Bool
    length: Float

    def columns(self, tau: float, kind: str, gain: float, rate: bool = False) -> Float:
        """What the output and a constant push do to the value, or its rate, from rest."""
        plant = Plant(kind, gain, tau)
        driven = np.stack([self.output, np.ones_like(self.output)], axis=1)
        x, v = plant.from_rest(driven, self.gap[:, None])
        if rate:
            x, v = v, (gain * np.concatenate([driven[:1], driven[:-1]]) - v) / tau
        return np.moveaxis(plant.measured(x, v), 1, 0)

    def about_mean(self) -> float:
        """Sum of squares of the values about their mean: a level is explained by any output."""
        value = self.value[self.there]
        return float(((value - value.mean()) ** 2).sum())

    def start(self, tau: float, kind: str) -> list[Float]:
        """What the state at the beginning of each stretch does to the value."""
        decay = np.exp(-self.since / tau)
        return [decay] if kind == "speed" else [np.ones_like(decay), tau * (1 - decay)]

    def without_start(self, column: Float, tau: float, kind: str) -> Float:
        """A column without what the stretches' own beginnings explain."""
        made = np.where(self.there, column, 0.0)
        kept: list[Float] = []
        for one in self.start(tau, kind):
            base = np.where(self.there, one, 0.0)
            for other in kept:
                base = base - other * (base * other).sum(axis=0)
            size = np.sqrt((base * base).sum(axis=0))
            base = base / np.where(size > 0, size, 1.0)
            kept.append(base)
            made = made - base * (made * base).sum(axis=0)
        return made

    def projected(self, tau: float, kind: str) -> tuple[Float, Float, Float]:
        """Value, what the output does to it and what a push does, without the beginnings."""
        every = (self.value, *self.columns(tau, kind, 1.0))
        value, driven, push = (self.without_start(one, tau, kind) for one in every)
        return value, driven, push

    def solved(self, tau: float, kind: str) -> tuple[float, float, Float, Float]:
        """Sum of squares that is left, the gain, what is left, and the output's column."""
        value, driven, push = self.projected(tau, kind)
        gram = np.array([[(a * b).sum() for b in (driven, push)] for a in (driven, push)])
        weights = np.linalg.pinv(gram) @ np.array([(driven * value).sum(), (push * value).sum()])
        rest = value - weights[0] * driven - weights[1] * push
        return float((rest * rest).sum()), float(weights[0]), rest, driven


def cut_up(
    at: Float, output: Float, when: Float, measured: Float, most: int | None = None
) -> Stretches:
    """Cut the log into stretches; what lies before the first output is left out.

    Of more than `most` those are taken in which the output does most.
    """
    if len(at) < 2 or len(when) < 2:
        raise NotEnoughError("a fit needs an output and a measured value in every loop")
    time = np.concatenate([at, when])
    value = np.concatenate([np.full(len(at), np.nan), measured])
    order = np.lexsort((np.repeat([1, 0], [len(at), len(when)]), time))
    time, value = time[order], value[order]
    newest = np.searchsorted(at, time, side="right") - 1
    inside = newest >= 0
    time, value, held = time[inside], value[inside], output[newest[inside]]
    number = ((time - time[0]) // STRETCH_S).astype(np.int64)
    typical = float(np.median(np.diff(at))) or float(at[-1] - at[0]) / (len(at) - 1)
    number += np.cumsum(np.diff(time, prepend=time[0]) > 20 * typical) * (len(time) + 1)
    _, code, sizes = np.unique(number, return_inverse=True, return_counts=True)
    finite = np.bincount(code, np.isfinite(value))
    good = np.flatnonzero(finite >= LEAST_VALUES)
    if most is not None and len(good) > most:
        mean, square = (np.bincount(code, power)[good] / sizes[good] for power in (held, held**2))
        good = np.sort(good[np.argsort(mean**2 - square, kind="stable")[:most]])
    first = np.cumsum(sizes) - sizes
    rows = first[good] + np.arange(int(sizes[good].max(initial=0)))[:, None]
    there = np.arange(len(rows))[:, None] < sizes[good]
    rows = np.minimum(rows, len(time) - 1)
    moment = np.where(there, time[rows], time[first[good] + sizes[good] - 1])
    shown = np.where(there, value[rows], np.nan)
    return Stretches(
        np.diff(moment, axis=0, append=moment[-1:]), moment - moment[:1],
        np.where(there, held[rows], 0.0), np.nan_to_num(shown), np.isfinite(shown),
        sizes[good].astype(np.float64),
    )  # fmt: skip


def clustered(slopes: Float, rest: Float) -> Float:
    """Standard errors from the stretches' own sums, so that errors may hang together in each.

    Slopes have the shape (p, steps, stretches), what is left (steps, stretches).
    """
    inverse = np.linalg.pinv(np.einsum("pij,qij->pq", slopes, slopes))
    scores = np.einsum("pij,ij->pj", slopes, rest)
    count = scores.shape[1]
    made = inverse @ (scores @ scores.T) @ inverse * (count / max(count - 2, 1))
    return np.asarray(np.sqrt(np.maximum(np.diag(made), 0.0)), dtype=np.float64)
