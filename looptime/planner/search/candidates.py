"""Which remedies make sense for a log, and why others do not."""

from collections.abc import Mapping

from looptime.planner.play.draft import KnownRun
from looptime.planner.search.look import Candidate, NotProposed, look_at, of_unknown_kind
from looptime.planner.search.reading import (
    batches,
    dear_in_threads,
    fewer_reads,
    later,
    like_unknown,
)
from looptime.planner.search.waiting import threads_in_the_way, turns_in_the_way
from looptime.planner.search.writing import long_turns, telemetry, unchanged_writes

__all__ = ["candidates"]


def candidates(
    at: KnownRun, effort: Mapping[str, float] | None = None, heading_call: str | None = None
) -> tuple[list[Candidate], list[NotProposed]]:
    """Remedies that make sense for a log, each alone.

    Returns
    -------
    candidates : list of Candidate
    not_proposed : list of NotProposed
        What was looked at and left out before it was played.
    """
    look = look_at(at, effort, heading_call)
    searches = (
        threads_in_the_way, turns_in_the_way, batches, long_turns, fewer_reads, dear_in_threads,
        telemetry, unchanged_writes, later, like_unknown, of_unknown_kind,
    )  # fmt: skip
    for search in searches:
        search(look)
    return look.made, look.left
