"""What a remedy will buy, before anyone writes it."""

from looptime.planner.changes import Change, PlanFile, load_changes, parse, parse_all
from looptime.planner.predict import (
    CAUTIONS,
    Prediction,
    Prepared,
    predict,
    prepare_run,
)
from looptime.planner.replay import replay
from looptime.planner.score import Score, score
from looptime.planner.suggest import Suggestions, suggest

__all__ = [
    "CAUTIONS",
    "Change",
    "PlanFile",
    "Prediction",
    "Prepared",
    "Score",
    "Suggestions",
    "load_changes",
    "parse",
    "parse_all",
    "predict",
    "prepare_run",
    "replay",
    "score",
    "suggest",
]
