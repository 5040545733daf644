"""From a run to frozen results: one module an analyser, `summarise` for all of them."""

from looptime.analysers.summary import Summary, summarise

__all__ = ["Summary", "summarise"]
