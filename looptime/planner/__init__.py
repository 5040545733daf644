"""What a remedy will buy, before anyone writes it."""

from looptime.planner.changes import Change, load_changes, parse, parse_all
from looptime.planner.draft import Setting, basis
from looptime.planner.replay import Replay, play, replay

__all__ = [
    "Change",
    "Replay",
    "Setting",
    "basis",
    "load_changes",
    "parse",
    "parse_all",
    "play",
    "replay",
]
