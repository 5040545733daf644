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

#: Values of a quantity worked out at once: so many as stay near the processor.
_AT_ONCE = 30_000
_INSTANTS = ("read_s", "taken_s", "use_s")


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
            for name in _INSTANTS
        )
    )


def play(law: Law, plant: Plant, path: Path, at: Instants) -> Track:
    """Play the moves: the law is worked out at each use from the reading taken for it.

    The target is taken when the code reads (`read_s`), the measured value is that of `taken_s`.
    Before the move the mechanism rests at target 0, as the law holds it.
    """
    return play_side_by_side(law, plant, path, [at])[0]


def play_side_by_side(law: Law, plant: Plant, path: Path, moves: Sequence[Instants]) -> list[Track]:
    """The tracks that `play` makes of each, in a fraction of the time: all are played at once."""
    rows = _Rows.of([at.use_s.shape for at in moves])
    joined = Instants(*(rows.joined([getattr(at, name) for at in moves]) for name in _INSTANTS))
    played = _played(law, plant, path, rows, joined)
    x, v, output = (rows.parted(values) for values in played)
    return [Track(at.use_s, *of) for at, *of in zip(moves, x, v, output, strict=True)]


@dataclass(frozen=True)
class _Block:
    """Rows ``low`` up to ``high`` of moves side by side, in which the same columns go on."""

    low: int
    high: int
    columns: int
    begin: int  #: Where its first row begins
    before: int  #: Where the row before that one begins

    def of(self, values: Float) -> Float:
        """Its part of some values, shape (high - low, columns)."""
        end = self.begin + (self.high - self.low) * self.columns
        return values[self.begin : end].reshape(-1, self.columns)

    def last(self, values: Float) -> Float:
        """The row before, shape (columns,)."""
        return values[self.before : self.before + self.columns]

    def with_last(self, values: Float) -> Float:
        """Both, shape (high - low + 1, columns)."""
        return np.concatenate([self.last(values)[None], self.of(values)])


@dataclass(frozen=True)
class _Rows:
    """Moves side by side, the longest first; those that have ended take no room.

    A quantity of all moves is one array, row after row, shape (size,).
    """

    order: list[int]  #: Which move is first, second, ...
    columns: list[tuple[int, int]]  #: From which column to which each of these is
    ends: list[int]  #: How many rows each of these has
    blocks: list[_Block]  #: The first holds row 0 alone
    starts: Int  #: Where each row begins, shape (n,)
    size: int

    @classmethod
    def of(cls, shapes: Sequence[tuple[int, ...]]) -> _Rows:
        """Of moves of these shapes."""
        order = sorted(range(len(shapes)), key=lambda i: -shapes[i][0])
        ends, wide = [shapes[i][0] for i in order], [shapes[i][1] for i in order]
        until = list(itertools.accumulate(wide))
        blocks, at, before = [], 0, 0
        for first, end in itertools.pairwise([0, *sorted({1, *ends})]):
            columns = max(c for c, last in zip(until, ends, strict=True) if last >= end)
            step = max(_AT_ONCE // max(columns, 1), 1)
            for low in range(first, end, step):
                blocks.append(_Block(low, min(low + step, end), columns, at, before))
                at += (blocks[-1].high - low) * columns
                before = at - columns
        starts = [np.arange(b.high - b.low) * b.columns + b.begin for b in blocks]
        each = [(c - w, c) for c, w in zip(until, wide, strict=True)]
        return cls(order, each, ends, blocks, np.concatenate(starts), at)

    def joined(self, parts: Sequence[Float]) -> Float:
        """A quantity of all moves from that of each, shape (rows, columns)."""
        made = np.empty(self.size)
        for block in self.blocks:
            here = block.of(made)
            for i, (first, last), end in zip(self.order, self.columns, self.ends, strict=True):
                if end >= block.high:
                    here[:, first:last] = parts[i][block.low : block.high]
        return made

    def parted(self, values: Float) -> list[Float]:
        """The other way round."""
        made = {}
        for i, (first, last), end in zip(self.order, self.columns, self.ends, strict=True):
            made[i] = np.concatenate(
                [b.of(values)[:, first:last] for b in self.blocks if b.high <= end]
            )
        return [made[i] for i in range(len(made))]


def _played(
    law: Law, plant: Plant, path: Path, rows: _Rows, at: Instants
) -> tuple[Float, Float, Float]:
    """Position, speed and output of all rows, each of shape (size,)."""
    x, v, output = (np.zeros(rows.size) for _ in range(3))
    position = plant.kind == "position"
    rest, held, summed = plant.at_rest(law)
    columns = rows.blocks[0].columns
    (x if position else v)[:columns] = rest
    output[:columns] = held
    state = _State(law, columns, rest, summed)
    for block in rows.blocks[1:]:
        read, use = block.with_last(at.read_s), block.with_last(at.use_s)
        state.meets(path, read, position)
        hold = np.diff(use, axis=0)
        decay, share = plant.factors(hold)
        late = block.of(at.taken_s) - use[:-1]  # of the readings, within the hold before their use
        in_hold = late >= -SAME_S
        late_factor = (plant.share if position else plant.decay)(np.maximum(late, 0.0))
        all_in_hold = np.logical_and.reduce(in_hold, axis=1).tolist()
        x_was, v_was, output_was = (block.last(a) for a in (x, v, output))
        for j, made in enumerate(zip(*(block.of(a) for a in (x, v, output)), strict=True)):
            x_now, v_now, output_now = made
            w = plant.full_speed * (output_was - plant.load)
            over = v_was - w
            v_now[:] = w + over * decay[j]
            if position:
                x_now[:] = x_was + w * hold[j] + over * share[j]
                seen = x_was + w * late[j] + over * late_factor[j]
            else:
                seen = w + over * late_factor[j]
            if not all_in_hold[j]:
                earlier = _earlier(plant, at, (x, v, output), rows.starts, block, j, rest)
                seen = np.where(in_hold[j], seen, earlier)
            output_now[:] = state.next_output(j, seen)
            x_was, v_was, output_was = made
    return x, v, output


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
    plant: Plant, at: Instants, state: tuple[Float, Float, Float], starts: Int, block: _Block,
    j: int, rest: float,
) -> Float:  # fmt: skip
    """Readings taken before the hold that ends with their use, in row j of a block."""
    taken, column = block.of(at.taken_s)[j], np.arange(block.columns)
    hold = np.full(block.columns, block.low + j - 1)
    while True:
        place = starts[np.maximum(hold, 0)] + column
        later = (at.use_s[place] > taken + SAME_S) & (hold >= 0)
        if not later.any():
            break
        hold = hold - later
    since = np.maximum(taken - at.use_s[place], 0.0)
    x, v, output = (a[place] for a in state)
    there = plant.after(x, v, output, since)
    return np.where(hold >= 0, plant.measured(*there), rest)
