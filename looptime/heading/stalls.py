"""The stalls of a log, each long enough to matter to the motion, and the call behind most."""

from collections import Counter

from looptime.analysers.basis import prepare
from looptime.analysers.slow import slow_events
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Stalls", "stalls_of"]

#: How many times a typical loop a stall lasts at least, and how much longer [ms].
TIMES, LONGER_MS = 3.0, 20.0


@dataclass(frozen=True)
class Stalls:
    """Loops that stand out by so much that the heading ages with them."""

    count: int
    typical_ms: float  #: A typical loop
    longest_ms: float
    #: What added most to most of them, and in how many it did; None where no call is behind most.
    call: str | None
    by_call: int


def stalls_of(run: Run) -> Stalls | None:
    """The stalls of a run; None where there are none.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.where(np.arange(200) % 50 == 9, 120, 10) * 1_000_000
    >>> run = Run(LoopColumns(np.arange(200), np.cumsum(period) - period, period))
    >>> found = stalls_of(run)
    >>> found.count, found.typical_ms, found.longest_ms, found.call
    (4, 10.0, 120.0, None)
    """
    basis = prepare(run)
    found = slow_events(basis)
    typical = found.typical_ms
    if not typical:
        return None
    long = [event for event in found.events
            if event.worst_ms > max(TIMES * typical, typical + LONGER_MS)]  # fmt: skip
    if not long:
        return None
    names = {name.name for name in run.names}
    call, times = Counter(event.culprit for event in long).most_common(1)[0]
    told = call in names and 2 * times > len(long)
    return Stalls(len(long), typical, max(event.worst_ms for event in long),
                  call if told else None, times if told else 0)  # fmt: skip
