"""looptime: where a robot's control loop spends its time, and what to do about it.

Examples
--------
>>> import looptime
>>> from looptime.samples import folder
>>> run = looptime.read(folder() / "single_reads.csv.gz")
>>> summary = looptime.summarise(run, budget_ms=25)
>>> summary.pace.period_ms.p99.value > summary.pace.period_ms.p50.value
True
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from looptime.analysers.summary import Summary
    from looptime.controlling import control
    from looptime.parsers.log import Log
    from looptime.parsers.read import read, read_log
    from looptime.project import Project
    from looptime.questions.asked import Asked
    from looptime.questions.timing import summarise
    from looptime.run import Run

__all__ = [
    "Asked", "Log", "Project", "Run", "Summary", "__version__", "control", "read", "read_log",
    "summarise",
]  # fmt: skip
__version__ = "0.1.0"

# Loaded when first asked for: a command must not wait for what it does not use
_HOME = {
    "Asked": "looptime.questions.asked",
    "Log": "looptime.parsers.log",
    "Project": "looptime.project",
    "Run": "looptime.run",
    "Summary": "looptime.analysers.summary",
    "control": "looptime.controlling",
    "read": "looptime.parsers.read",
    "read_log": "looptime.parsers.read",
    "summarise": "looptime.questions.timing",
}


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'looptime' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)
