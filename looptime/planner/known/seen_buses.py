"""Buses that nobody named, as the waits for recorded threads show them, and their locks."""

from __future__ import annotations

from dataclasses import field, replace

from looptime.analysers.basis import prepare
from looptime.analysers.contention import Contention, contention, shared_buses
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.retaking import Retakes

__all__ = ["SeenBuses", "SeenLock", "seen_buses"]

#: Contested releases from which on a chance is taken as seen.
_ENOUGH = 50


@dataclass(frozen=True)
class SeenLock:
    """The lock of a bus as contested releases of the log show it."""

    kind: str  #: ``fair`` or ``barging``
    #: Chance that the loop, or the other thread, takes it again although the other waits: where
    #: that one has not lost it yet, and where it has; None where too few were seen.
    by_loop: tuple[float, ...] | None = None
    by_other: tuple[float, ...] | None = None


@dataclass(frozen=True)
class SeenBuses:
    """What a log shows of its buses."""

    run: Run  #: The run with a bus for each call that shares one by the times; labels stay
    inferred: frozenset[str] = frozenset()  #: Buses that only the times show
    locks: dict[str, SeenLock] = field(default_factory=dict)
    #: Pairs of a call of the loop and one of another thread that do not share a bus.
    apart: frozenset[tuple[str, str]] = frozenset()


def seen_buses(run: Run) -> SeenBuses:
    """Name the buses that the times show.

    A call shares the bus of those that it waits for; where one of them is labelled, that is the
    bus, else it is called after the other thread's call.
    """
    if len(run.thread_names) < 2 or not len(run) or run.on_loop_thread.all():
        return SeenBuses(run)
    found = contention(prepare(run))
    named = {call.bus for call in run.names}
    bus_of = shared_buses(run, found)
    names = tuple(replace(call, bus=bus_of[call.name]) for call in run.names)
    inferred = frozenset(bus for bus in bus_of.values() if bus is not None and bus not in named)
    locks = {}
    for entry in found.found:
        lock, shared = _lock(entry), bus_of.get(entry.partners[0])
        if lock is not None and shared is not None:
            locks[shared] = lock
    apart = frozenset(
        (call, other) for (call, _, other), v in found.verdicts.items() if v == "apart"
    )
    return SeenBuses(run.with_names(names), inferred, locks, apart)


def _lock(entry: Contention) -> SeenLock | None:
    if entry.lock == "unknown":
        return None
    if entry.lock == "fair":
        return SeenLock("fair")
    return SeenLock("barging", _chances(entry.by_loop), _chances(entry.by_other))


def _chances(at: Retakes) -> tuple[float, ...] | None:
    if min(at.first_of, at.later_of) < _ENOUGH:
        return None
    return at.first / at.first_of, at.later / at.later_of
