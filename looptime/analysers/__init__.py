"""From a run to frozen results: one module an analyser, `summarise` for all of them."""

from looptime.analysers.basis import Basis, prepare
from looptime.analysers.part import part, phases
from looptime.analysers.summary import Summary, summarise, summarise_phases
from looptime.analysers.waits import delay, gain_factors

__all__ = [
    "Basis",
    "Summary",
    "delay",
    "gain_factors",
    "part",
    "phases",
    "prepare",
    "summarise",
    "summarise_phases",
]
