"""From a run to frozen results: one module an analyser, `summarise` for all of them."""

from looptime.analysers.basis import Basis, prepare
from looptime.analysers.draft import draft_project
from looptime.analysers.loop_detail import loop_detail, parse_sync
from looptime.analysers.part import part, phases
from looptime.analysers.summary import Summary, summarise, summarise_phases
from looptime.analysers.together import together
from looptime.analysers.waits import delay, gain_factors

__all__ = [
    "Basis",
    "Summary",
    "delay",
    "draft_project",
    "gain_factors",
    "loop_detail",
    "parse_sync",
    "part",
    "phases",
    "prepare",
    "summarise",
    "summarise_phases",
    "together",
]
