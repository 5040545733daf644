"""From a run to frozen results: one module an analyser, `summarise` for all of them.

What a summary does not need is imported from its own module: `draft`, `loop_detail`, `waits`.
"""

from looptime.analysers.basis import Basis, prepare
from looptime.analysers.part import part, phases
from looptime.analysers.summary import Summary, summarise
from looptime.analysers.together import together

__all__ = [
    "Basis",
    "Summary",
    "part",
    "phases",
    "prepare",
    "summarise",
    "together",
]
