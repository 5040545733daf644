"""Every question that a front end may ask, each asked with one `Asked`.

The command line, the dashboard, the report and the public API call these and nothing deeper, so
that one log gets one answer whoever asks.

Examples
--------
>>> from looptime import questions
>>> from looptime.samples import folder
>>> asked = questions.Asked(budget_given_ms=25)
>>> run = asked.read(str(folder() / "single_reads.csv.gz")).runs[0]
>>> [one.pace.overruns.budget_ms for one in questions.summary(asked, run)]
[25]
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from looptime.questions.asked import Asked
    from looptime.questions.judging import compare, gate, season, trends
    from looptime.questions.pit_check import pit
    from looptime.questions.planning import plan, score, suggestions
    from looptime.questions.stating import columns
    from looptime.questions.steering import control, heading
    from looptime.questions.timing import slow, summarise, summary

__all__ = [
    "Asked", "columns", "compare", "control", "gate", "heading", "pit", "plan", "score", "season",
    "slow", "suggestions", "summarise", "summary", "trends",
]  # fmt: skip

# Loaded when first asked for: a command must not wait for what it does not use
_HOME = {
    "asked": ("Asked",),
    "judging": ("compare", "gate", "season", "trends"),
    "pit_check": ("pit",),
    "stating": ("columns",),
    "planning": ("plan", "score", "suggestions"),
    "steering": ("control", "heading"),
    "timing": ("slow", "summarise", "summary"),
}
_MODULE = {
    name: f"looptime.questions.{module}" for module, names in _HOME.items() for name in names
}


def __getattr__(name: str) -> object:
    if name not in _MODULE:
        raise AttributeError(f"module 'looptime.questions' has no attribute {name!r}")
    return getattr(import_module(_MODULE[name]), name)
