"""What a remedy will buy, before anyone writes it."""

from looptime.planner.answer.predict import (
    CAUTIONS,
    Prediction,
    Prepared,
    predict,
    prepare_run,
)
from looptime.planner.answer.score import Score, score
from looptime.planner.changes import Change, PlanFile, load_changes, parse, parse_all
from looptime.planner.play.replay import replay
from looptime.planner.search.suggest import Suggestions, suggest

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
