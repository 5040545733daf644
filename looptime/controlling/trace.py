"""One move over time, to be drawn: its target, over even loops, and where the log does worst."""

import numpy as np

from looptime.array_types import Float
from looptime.controlling.moves import Move
from looptime.controlling.simulate import Track
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


def traced(
    move: Move, recorded: Track, figures: tuple[Float, Float, Float, Float], even: Track
) -> Trace:
    """The move over even loops and over a log.

    Parameters
    ----------
    move : Move
        What was moved, and how.
    recorded : Track
        Over the log, from each of its starts.
    figures : tuple of float array
        Of those starts, as `Move.figures` has them.
    even : Track
        From one start over even loops.
    """
    over, settle, _, greatest = figures
    worst = int(np.argmax(np.where(np.isnan(greatest), over + 1e-9 * settle, greatest)))
    time = np.linspace(0.0, _worth_seeing(move, settle), POINTS)
    sides = [_followed(move, track, i, time) for track, i in ((even, 0), (recorded, worst))]
    return Trace(time, move.path.at(time), *sides)


def _worth_seeing(move: Move, settle: Float) -> float:
    """How long the move is drawn: until most have long settled [s]."""
    known = settle[np.isfinite(settle)]
    if not len(known):
        return move.horizon_s
    return min(1.2 * move.path.end_s + max(4 * float(np.median(known)), 0.1), move.horizon_s)


def _followed(move: Move, track: Track, start: int, time: Float) -> Float:
    use = track.use_s[:, start]
    hold = np.maximum(np.searchsorted(use, time, side="right") - 1, 0)
    x, v, output = (a[hold, start] for a in (track.x, track.v, track.output))
    return move.plant.measured_after(x, v, output, np.maximum(time - use[hold], 0.0))
