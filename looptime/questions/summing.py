"""The summary of a part of a run, on which other questions rest."""

from looptime.analysers.basis import Basis
from looptime.analysers.summary import Summary
from looptime.findings import summarise
from looptime.questions.asked import Asked
from looptime.run import Run

__all__ = ["begin_ns", "summarised", "summary_of_part"]


def summary_of_part(
    asked: Asked, run: Run, *, origin_ns: int | None = None, rhythms: bool = True
) -> Summary:
    """The summary of just the part that is asked for, all its phases together.

    Parameters
    ----------
    asked, run
        As for `looptime.questions.summary`.
    origin_ns : int, optional [ns]
        Start of the whole recording, if `run` is cut already.
    rhythms : bool
        Whether to look for what recurs: it means nothing in loops taken from here and there.
    """
    chosen = asked.part(run, with_phase=False)
    origin = begin_ns(run) if origin_ns is None else origin_ns
    return summarised(asked, chosen, asked.phase, origin, rhythms)


def summarised(
    asked: Asked,
    chosen: Run,
    phase: str | None,
    origin_ns: int,
    rhythms: bool = True,
    whole: Basis | None = None,
) -> Summary:
    """The summary of a part that is cut already, or of a phase of it; `whole` is its basis."""
    return summarise(
        chosen,
        phase=phase,
        budget_ms=asked.budget_ms,
        serious_ms=asked.project.serious_ms,
        keep_warmup=asked.keep_warmup,
        read_instant=asked.read_instant,
        origin_ns=origin_ns,
        rhythms=rhythms,
        whole=whole,
        heading=asked.project.heading,
        project=asked.project,
        given=asked.options,
    )


def begin_ns(run: Run) -> int:
    """When a run begins [ns]; 0 where it has no loop."""
    return int(run.loop_columns.start_ns[0]) if len(run) else 0
