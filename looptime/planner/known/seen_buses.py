"""Buses that nobody named, as the waits for recorded threads show them, and their locks."""

from dataclasses import field, replace

from looptime.analysers.alike import in_short
from looptime.analysers.basis import prepare
from looptime.analysers.contention import (
    Contention,
    Contentions,
    Met,
    judged_by_labels,
    meet,
    shared_buses,
)
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.retaking import Retakes

__all__ = ["SeenBuses", "SeenLock", "seen_buses"]

#: Contested releases from which on a chance is taken as seen.
_ENOUGH = 50
#: Share of the loop that it must wait before labels are not believed.
_PLAIN = 0.02


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
    #: Labels that the waits contradict, and what is planned instead.
    doubts: tuple[str, ...] = ()


def seen_buses(run: Run) -> SeenBuses:
    """Name the buses that the times show.

    A call shares the bus of those that it waits for; where one of them is labelled, that is the
    bus, else it is called after the other thread's call. Labels of two buses do not hold where
    one call plainly waits for the other: what waits for each other shares a lock. Nor does the
    label of one bus hold of a call that is served while all others of that bus are.
    """
    met = meet(prepare(run))
    if not met.tracks:
        return SeenBuses(run)
    found = judged_by_labels(run, met)
    doubts, beside = _doubts(run, found), _beside(run, met)
    if doubts or beside:
        run = run.with_names(tuple(
            replace(call, bus=None) if call.name in {*doubts, *beside} else call
            for call in run.names
        ))  # fmt: skip
        found = judged_by_labels(run, met)
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
    said = tuple(
        f"the labels put {name} on {was} and {call} on another bus, but {call} waits for it: both "
        f"are planned on {bus_of[name]}" for name, (was, call) in doubts.items() if bus_of[name]
    )  # fmt: skip
    said += tuple(
        f"the labels put {name} on {bus} with {in_short(of)}, but they are served at the same "
        f"time: {name} is planned off {bus}" for name, (bus, of) in beside.items()
    )  # fmt: skip
    return SeenBuses(run.with_names(names), inferred, locks, apart, said)


def _doubts(run: Run, found: Contentions) -> dict[str, tuple[str, str]]:
    """Calls of threads whose label cannot be right, with it and the call that waits longest."""
    waits: dict[str, dict[str, float]] = {}
    for doubt in found.disagreements:
        if doubt.labelled == "two buses" and doubt.wait_ms_per_loop:
            waits.setdefault(doubt.partner, {})[doubt.call] = doubt.wait_ms_per_loop
    bus_of = {call.name: call.bus or "" for call in run.names}
    least = _PLAIN * run.duration_s * 1e3 / len(run)
    return {name: (bus_of[name], max(of, key=lambda call: of[call]))
            for name, of in waits.items() if sum(of.values()) >= least}  # fmt: skip


def _beside(run: Run, met: Met) -> dict[str, tuple[str, list[str]]]:
    """Calls labelled one bus that the times show off it, with the bus and the calls beside them.

    Those of other threads first: where they are off the bus, nothing speaks against the loop's.
    """
    name_of = [run.names[track.code].name for track in met.tracks]
    bus_of = {call.name: call.bus for call in run.names}
    pairs = [
        (name_of[m.first], name_of[m.second], m.verdict) for m in met.meetings
        if bus_of[name_of[m.first]] is not None
        and bus_of[name_of[m.first]] == bus_of[name_of[m.second]]
    ]  # fmt: skip
    made: dict[str, tuple[str, list[str]]] = {}
    for mine, other in ((1, 0), (0, 1)):
        for name in dict.fromkeys(pair[mine] for pair in pairs):
            told = [p for p in pairs if p[mine] == name and p[other] not in made]
            apart = [p[other] for p in told if p[2] == "apart"]
            if apart and not any(p[2] in ("shares", "likely") for p in told):
                made[name] = bus_of[name] or "", apart
    return made


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
