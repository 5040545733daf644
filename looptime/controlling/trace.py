"""One move over time, to be drawn: its target, over even loops, and where the log does worst."""

from __future__ import annotations

import numpy as np

from looptime.array_types import Float
from looptime.controlling.matrices import EvenLoop
from looptime.controlling.moves import STARTS, Move, even_starts
from looptime.controlling.simulate import Instants, Track, starts_in
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["Trace", "traced"]

#: Instants that are drawn.
POINTS = 160


@dataclass(frozen=True)
class Trace:
    """A move over time."""

    #: The target, the mechanism over even loops, and over the recorded loops from where the move
    #: goes worst, float array, shape (n,) [s], [unit].
    time_s: Float
    target: Float
    even: Float
    worst: Float


def traced(move: Move, at: Sampling, loop: EvenLoop) -> Trace:
    """The move over even loops and over a log.

    Parameters
    ----------
    move : Move
        What is moved, and how.
    at : Sampling
        As recorded, with the sensor's delay.
    loop : EvenLoop
        At its mean.
    """
    moves = starts_in(at, move.horizon_s, STARTS, move.seed)
    over, settle, _, greatest = move.each(moves)
    worst = int(np.argmax(np.where(np.isnan(greatest), over + 1e-9 * settle, greatest)))
    time = np.linspace(0.0, _worth_seeing(move, settle), POINTS)
    even, recorded = even_starts(move, loop, 1), _one(moves, worst)
    sides = [_followed(move, one, time) for one in (even, recorded)]
    return Trace(time, move.path.at(time), *sides)


def _worth_seeing(move: Move, settle: Float) -> float:
    """How long the move is drawn: until most have long settled [s]."""
    known = settle[np.isfinite(settle)]
    if not len(known):
        return move.horizon_s
    return min(1.2 * move.path.end_s + max(4 * float(np.median(known)), 0.1), move.horizon_s)


def _one(moves: Instants, column: int) -> Instants:
    parts = (moves.read_s, moves.taken_s, moves.use_s)
    return Instants(*(part[:, column : column + 1] for part in parts))


def _followed(move: Move, moves: Instants, time: Float) -> Float:
    track: Track = move.track(moves)
    use = track.use_s[:, 0]
    hold = np.maximum(np.searchsorted(use, time, side="right") - 1, 0)
    x, v, output = (a[hold, 0] for a in (track.x, track.v, track.output))
    plant = move.plant
    return plant.measured_after(x, v, output, np.maximum(time - use[hold], 0.0))
