"""What controllers are judged by: the moves of all of them, played together."""

from collections.abc import Sequence
from itertools import islice

import numpy as np

from looptime.controlling.matrices import EvenLoop
from looptime.controlling.moves import (
    EVEN_STARTS,
    STARTS,
    CurvePoint,
    Move,
    RateCurve,
    Stall,
    even_starts,
    longest_hold,
    play_each,
)
from looptime.controlling.response import Response, summed_up
from looptime.controlling.simulate import Track, starts_in
from looptime.controlling.trace import Trace, traced
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["Case", "Outcome", "outcomes"]

#: An output so near its limit, as a share of it, is cut there.
NEAR_LIMIT = 1e-9


@dataclass(frozen=True)
class Case:
    """A controller's move, and the loops that it is judged over."""

    move: Move
    at: Sampling  #: As recorded, with the sensor's delay
    loop: EvenLoop  #: At its mean
    curve: RateCurve | None = None  #: Other loop rates, where they are asked for


@dataclass(frozen=True)
class Outcome:
    """How a controller's moves went."""

    #: Over the recorded loops, and over even ones at the same mean rate.
    recorded: Response
    even: Response
    stall: Stall
    trace: Trace | None  #: None where the log is too short for a move
    curve: tuple[CurvePoint, ...] = ()
    cut: bool = False  #: Whether the output is cut at its limit over the recorded loops


def outcomes(cases: Sequence[Case]) -> list[Outcome]:
    """How the moves of each went."""
    stalls = [longest_hold(case.move, case.at, case.loop) for case in cases]
    wanted = []
    for case, (_, stalled) in zip(cases, stalls, strict=True):
        move, loop = case.move, case.loop
        own = [
            starts_in(case.at, move.horizon_s, STARTS, move.seed),
            even_starts(move, loop, EVEN_STARTS), even_starts(move, loop, 1), stalled,
        ]  # fmt: skip
        wanted.append([*own, *(case.curve.moves if case.curve is not None else ())])
    each = [(case.move, at) for case, own in zip(cases, wanted, strict=True) for at in own]
    tracks = iter(play_each(each))
    return [
        _outcome(case, hold_s, list(islice(tracks, len(own))))
        for case, (hold_s, _), own in zip(cases, stalls, wanted, strict=True)
    ]


def _outcome(case: Case, hold_s: float, tracks: list[Track]) -> Outcome:
    recorded, evenly, one_even, stalled, *others = tracks
    figures = case.move.figures(recorded)
    found, even = summed_up(*figures), summed_up(*case.move.figures(evenly))
    worst = summed_up(*case.move.figures(stalled))
    trace = traced(case.move, recorded, figures, one_even) if found.starts else None
    curve = case.curve.points(others) if case.curve is not None else ()
    size = np.abs(recorded.output)
    cut = bool((size >= case.move.law.limit * (1 - NEAR_LIMIT)).any())  # false for none
    return Outcome(found, even, Stall(hold_s * 1e3, worst, even), trace, curve, cut)
