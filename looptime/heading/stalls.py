"""The stalls of a log, each long enough to matter to the motion, and the call behind most."""

from collections import Counter

from looptime.analysers.basis import prepare
from looptime.analysers.slow import SlowEvent, slow_events
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
    #: Slow loops that are no stalls, each with those right after it: how many, the longest, and
    #: the call behind most of them.
    shorter: int = 0
    shorter_ms: float | None = None
    shorter_call: str | None = None


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
    most = max(TIMES * typical, typical + LONGER_MS)
    long = [event for event in found.events if event.worst_ms > most]
    if not long:
        return None
    rest = [event for event in found.events if event.worst_ms <= most]
    call, times = _behind_most(run, long)
    return Stalls(
        len(long), typical, max(event.worst_ms for event in long), call, times, len(rest),
        max((event.worst_ms for event in rest), default=None), _behind_most(run, rest)[0],
    )  # fmt: skip


def _behind_most(run: Run, events: list[SlowEvent]) -> tuple[str | None, int]:
    """The call that added most to most of some events, and to how many of them."""
    names = {name.name for name in run.names}
    found = Counter(event.culprit for event in events).most_common(1)
    told = [(call, times) for call, times in found if call in names and 2 * times > len(events)]
    return told[0] if told else (None, 0)
