"""From named calls to the instants at which a controller's value was read and put to use."""

from __future__ import annotations

from looptime.heading.instants import Labels, sampling_from_run
from looptime.heading.pattern import Sampling
from looptime.run import Run

__all__ = ["instants_of"]


def instants_of(
    run: Run, read_call: str | None, write_call: str | None, what: str = "measured value"
) -> Sampling:
    """When each loop's reading was taken and put to use, as for a heading.

    Without a read call the loop's start stands for it; without a write call the loop's last
    actuator write does.

    Raises
    ------
    UsageError
        If a named call is not in the log.
    NotEnoughError
        If fewer than 3 loops have both.
    """
    return sampling_from_run(run, Labels(read_call, None, write_call, "start", what))
