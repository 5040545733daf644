"""A move played over instants of reading and use, exact between them, for many starts at once."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from looptime.array_types import Float, Int
from looptime.controlling.law import SAME_S, Law, Plant
from looptime.controlling.target import Path
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["Instants", "Track", "beside", "play", "play_side_by_side", "starts_in"]


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


def play_side_by_side(law: Law, plant: Plant, path: Path, moves: Sequence[Instants]) -> list[Track]:
    """The tracks that `play` makes of each, in a fraction of the time: all are played at once."""
    length = np.array([len(at.use_s) for at in moves])
    order = np.argsort(-length, kind="stable")  # those that go on stay side by side
    count = np.array([at.use_s.shape[1] for at in moves])[order]
    ends = np.cumsum(count)

    def beside(name: str) -> Float:
        made = np.empty((length.max(), ends[-1]))  # what lies beyond a move's end stays untouched
        for i, end, wide in zip(order.tolist(), ends.tolist(), count.tolist(), strict=True):
            made[: length[i], end - wide : end] = getattr(moves[i], name)
        return made

    at = Instants(beside("read_s"), beside("taken_s"), beside("use_s"))
    track = play(law, plant, path, at, np.repeat(length[order], count))
    made = {}
    for i, end, wide in zip(order.tolist(), ends.tolist(), count.tolist(), strict=True):
        part = (slice(length[i]), slice(end - wide, end))
        made[i] = Track(track.use_s[part], track.x[part], track.v[part], track.output[part])
    return [made[i] for i in range(len(moves))]


def play(law: Law, plant: Plant, path: Path, at: Instants, length: Int | None = None) -> Track:
    """Play the moves: the law is worked out at each use from the reading taken for it.

    The target is taken when the code reads (`read_s`), the measured value is that of `taken_s`.
    Before the move the mechanism rests at target 0, as the law holds it. Where some end early,
    `length` holds how many rows each has, shape (c,), not rising.
    """
    n, columns = at.use_s.shape
    x, v, output = (np.zeros((n, columns)) for _ in range(3))
    position = plant.kind == "position"
    rest, held, summed = plant.at_rest(law)
    x[0], v[0] = (rest, 0.0) if position else (0.0, rest)
    output[0] = held
    state = _State(law, columns, rest, summed)
    ends = [n] if length is None else np.unique(length).tolist()
    for low, high in itertools.pairwise([1, *ends]):
        c = columns if length is None else int((length >= high).sum())
        block = (slice(low - 1, high), slice(c))
        read, taken, use = at.read_s[block], at.taken_s[block][1:], at.use_s[block]
        state.meets(path, read, position)
        hold = np.diff(use, axis=0)
        decay, share = plant.factors(hold)
        late = taken - use[:-1]  # of the readings, within the hold before their use
        in_hold = late >= -SAME_S
        late_factor = (plant.share if position else plant.decay)(np.maximum(late, 0.0))
        all_in_hold = np.logical_and.reduce(in_hold, axis=1).tolist()
        for j, k in enumerate(range(low, high)):
            was = (k - 1, slice(c))
            w = plant.full_speed * (output[was] - plant.load)
            over = v[was] - w
            v[k, :c] = w + over * decay[j]
            if position:
                x[k, :c] = x[was] + w * hold[j] + over * share[j]
                seen = x[was] + w * late[j] + over * late_factor[j]
            else:
                seen = w + over * late_factor[j]
            if not all_in_hold[j]:
                earlier = _earlier(plant, at, (x, v, output), k, c, rest)
                seen = np.where(in_hold[j], seen, earlier)
            output[k, :c] = state.next_output(j, seen)
    return Track(at.use_s, x, v, output)


class _State:
    """What the code remembers from loop to loop."""

    def __init__(self, law: Law, columns: int, rest: float, summed: float) -> None:
        self.law = law
        self.sum = np.full(columns, summed)
        self.error = np.full(columns, -rest)
        self.seen = np.full(columns, rest)
        self.change = np.zeros(columns)

    def meets(self, path: Path, read: Float, follows_position: bool) -> None:
        """Prepare for the loops that follow the first of these, shape (m + 1, c)."""
        self.added, self.multiplied, self.passed = self.law.weights(np.diff(read, axis=0))
        self.wanted = path.at(read[1:])
        self.forward = np.zeros(len(read))
        if self.law.feed_forward:
            ahead = path.rate_at(read[1:]) if follows_position else self.wanted
            self.forward = self.law.feed_forward * ahead
        c = read.shape[1]
        self.sum, self.error, self.seen, self.change = (
            a[:c] for a in (self.sum, self.error, self.seen, self.change)
        )

    def next_output(self, j: int, seen: Float) -> Float:
        law = self.law
        error = self.wanted[j] - seen
        if law.wraps != np.inf:
            error = (error + law.wraps / 2) % law.wraps - law.wraps / 2
        output = law.kp * error + self.forward[j]
        if law.ki:
            self.sum = self.sum + self.added[j] * error
            if law.integral_limit != np.inf:
                self.sum = _cut(self.sum, law.integral_limit)
            output = output + law.ki * self.sum
        if law.kd:
            new = (self.seen - seen) if law.of_measurement else (error - self.error)
            new = new * self.multiplied[j]
            if law.filter_s:
                new = self.change + self.passed[j] * (new - self.change)
                self.change = new
            output = output + law.kd * new
            self.error, self.seen = error, seen
        return _cut(output, law.limit) if law.limit != np.inf else output


def _cut(values: Float, limit: float) -> Float:
    """At most so large, either way."""
    return np.minimum(np.maximum(values, -limit), limit)


def _earlier(
    plant: Plant, at: Instants, state: tuple[Float, Float, Float], k: int, c: int, rest: float
) -> Float:
    """Readings of the first c columns taken before the hold that ends with their use."""
    taken, column = at.taken_s[k, :c], np.arange(c)
    hold = np.full(c, k - 1)
    while True:
        row = np.maximum(hold, 0)
        later = (at.use_s[row, column] > taken + SAME_S) & (hold >= 0)
        if not later.any():
            break
        hold = hold - later
    since = np.maximum(taken - at.use_s[row, column], 0.0)
    x, v, output = (a[row, column] for a in state)
    there = plant.after(x, v, output, since)
    return np.where(hold >= 0, plant.measured(*there), rest)
