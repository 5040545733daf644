"""A move played over instants of reading and use, exact between them, for many starts at once."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.controlling.law import SAME_S, Law, Plant
from looptime.controlling.target import Path
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["Instants", "Track", "beside", "play", "starts_in"]


@dataclass(frozen=True)
class Instants:
    """Instants of n + 1 loops for c moves, counted from the beginning of each move [s]."""

    #: As in `looptime.heading.pattern.Sampling`; the move begins in hold 0; shape (n + 1, c).
    read_s: Float
    taken_s: Float
    use_s: Float


@dataclass(frozen=True)
class Track:
    """What the mechanism did: state just as each output is put to use, and that output."""

    #: shape (n + 1, c)
    use_s: Float
    x: Float
    v: Float
    output: Float


def starts_in(at: Sampling, horizon_s: float, most: int, seed: int) -> Instants:
    """Moves that begin in every loop (at most so many, spread evenly) at a random phase of it.

    Parameters
    ----------
    at : Sampling
        With the sensor's delay in it.
    horizon_s : float [s]
        How long each is followed; loops too near to the end begin none.
    most : int
        Most moves.
    seed : int
        Of the random phases.

    Returns
    -------
    Instants
        Of no moves where the log is too short.
    """
    possible = int(np.searchsorted(at.use_s, at.use_s[-1] - horizon_s, side="right")) - 1
    if possible < 1:
        nothing = np.empty((1, 0))
        return Instants(nothing, nothing, nothing)
    count = min(most, possible)
    first = np.arange(count) * possible // count
    begin = at.use_s[first] + np.random.default_rng(seed).random(count) * at.hold_s[first]
    last = np.searchsorted(at.use_s, begin + horizon_s)
    steps = int((last - first).max())
    rows = np.minimum(first + np.arange(steps + 1)[:, None], len(at))
    beyond = first + np.arange(steps + 1)[:, None] - rows  # loops that the log no longer has
    later = beyond * (1.0 + horizon_s)
    return Instants(*(a[rows] - begin + later for a in (at.read_s, at.taken_s, at.use_s)))


def beside(*parts: Instants) -> Instants:
    """Moves of several kinds side by side, the shorter ones carried on."""
    longest = max(len(p.use_s) for p in parts)

    def longer(a: Float, use: Float) -> Float:
        missing = longest - len(a)
        later = (use[-1:] + 1e3) + np.arange(missing)[:, None]
        return np.concatenate([a, np.broadcast_to(later, (missing, a.shape[1]))])

    return Instants(
        *(
            np.concatenate([longer(getattr(p, name), p.use_s) for p in parts], axis=1)
            for name in ("read_s", "taken_s", "use_s")
        )
    )


def play(law: Law, plant: Plant, path: Path, at: Instants) -> Track:
    """Play the moves: the law is worked out at each use from the reading taken for it.

    The target is taken when the code reads (`read_s`), the measured value is that of `taken_s`.
    Before the move the mechanism rests at target 0, as the law holds it.
    """
    use = at.use_s
    n, columns = use.shape
    x, v, output = (np.zeros((n, columns)) for _ in range(3))
    rest, held, summed = plant.at_rest(law)
    x[0], v[0] = (rest, 0.0) if plant.kind == "position" else (0.0, rest)
    output[0] = held
    state = _State(law, path, at, rest, summed, plant.kind == "position")
    hold = np.diff(use, axis=0)
    hold_factors = plant.factors(hold)
    late = at.taken_s[1:] - use[:-1]  # of the readings, within the hold before their use
    in_hold = late >= -SAME_S
    late_factors = plant.factors(np.maximum(late, 0.0))
    all_in_hold = np.logical_and.reduce(in_hold, axis=1).tolist()
    for k in range(1, n):
        w = plant.full_speed * (output[k - 1] - plant.load)
        over = v[k - 1] - w
        v[k] = w + over * hold_factors[0][k - 1]
        if plant.kind == "position":
            x[k] = x[k - 1] + w * hold[k - 1] + over * hold_factors[1][k - 1]
            seen = x[k - 1] + w * late[k - 1] + over * late_factors[1][k - 1]
        else:
            seen = w + over * late_factors[0][k - 1]
        if not all_in_hold[k - 1]:
            earlier = _earlier(plant, at, x, v, output, k, rest)
            seen = np.where(in_hold[k - 1], seen, earlier)
        output[k] = state.next_output(k, seen)
    return Track(use, x, v, output)


class _State:
    """What the code remembers from loop to loop."""

    def __init__(
        self, law: Law, path: Path, at: Instants, rest: float, summed: float,
        follows_position: bool,
    ) -> None:  # fmt: skip
        self.law = law
        columns = at.use_s.shape[1]
        step = np.diff(at.read_s, axis=0)
        self.added, self.multiplied, self.passed = law.weights(step)
        self.wanted, rate = path.at(at.read_s)
        self.forward = law.feed_forward * (rate if follows_position else self.wanted)
        self.sum = np.full(columns, summed)
        self.error = np.full(columns, -rest)
        self.seen = np.full(columns, rest)
        self.change = np.zeros(columns)

    def next_output(self, k: int, seen: Float) -> Float:
        law = self.law
        error = self.wanted[k] - seen
        if law.wraps != np.inf:
            error = (error + law.wraps / 2) % law.wraps - law.wraps / 2
        output = law.kp * error + self.forward[k]
        if law.ki:
            self.sum = self.sum + self.added[k - 1] * error
            if law.integral_limit != np.inf:
                self.sum = _cut(self.sum, law.integral_limit)
            output = output + law.ki * self.sum
        if law.kd:
            new = (self.seen - seen) if law.of_measurement else (error - self.error)
            new = new * self.multiplied[k - 1]
            if law.filter_s:
                new = self.change + self.passed[k - 1] * (new - self.change)
                self.change = new
            output = output + law.kd * new
            self.error, self.seen = error, seen
        return _cut(output, law.limit) if law.limit != np.inf else output


def _cut(values: Float, limit: float) -> Float:
    """At most so large, either way."""
    return np.minimum(np.maximum(values, -limit), limit)


def _earlier(
    plant: Plant, at: Instants, x: Float, v: Float, output: Float, k: int, rest: float
) -> Float:
    """Readings taken before the hold that ends with their use."""
    taken = at.taken_s[k]
    hold = (at.use_s[:k] <= taken + SAME_S).sum(axis=0) - 1
    known, row, column = hold >= 0, np.maximum(hold, 0), np.arange(at.use_s.shape[1])
    since = np.maximum(taken - at.use_s[row, column], 0.0)
    there = plant.after(x[row, column], v[row, column], output[row, column], since)
    return np.where(known, plant.measured(*there), rest)
