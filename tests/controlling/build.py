"""A mechanism and moves of it."""

from looptime.controllers import parse_target
from looptime.controlling.law import Plant
from looptime.controlling.moves import Move, horizon_of
from looptime.controlling.response import NODES, figures, summed_up
from looptime.controlling.simulate import play
from looptime.controlling.target import path_of

DRIFT = Plant("position", 7.0)


def move(text, law, plant, loop, tolerance=0.02, horizon=None):
    """A move of a law and plant over loops."""
    path = path_of(parse_target(text))
    horizon = horizon or horizon_of(law, plant, path, loop)
    return Move(law, plant, path, loop.delay_s, tolerance, horizon)


def response_of(one, starts, nodes=NODES):
    """How a move goes from these starts, played alone."""
    track = play(one.law, one.plant, one.path, starts)
    return summed_up(*figures(one.plant, one.path, track, one.horizon_s, one.tolerance, nodes))
