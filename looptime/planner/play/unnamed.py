"""Buses that nobody named: which calls of the loop a thread may share its bus with.

A label decides, and so does what the times of a recorded thread show. What neither tells is
played both ways: the thread has a bus of its own, or all that may share it do.
"""

from collections.abc import Iterable, Sequence
from dataclasses import field

from looptime.planner.play.draft import Draft, Reader
from looptime.records import dataclass

__all__ = ["UNNAMED", "Places", "places"]

#: The bus that all share of which nobody knows the bus.
UNNAMED = "not known"
#: Share of its time in which a call computes, from which on it is taken to use no bus.
_NO_BUS = 0.9
_ON_A_BUS = ("sensor read", "actuator write")


@dataclass
class Places:
    """The bus of each call, for one way in which things may be."""

    of_name: list[str | None]  #: By code, for calls of the loop
    of_reader: list[dict[int, str | None]]  #: For each reader, of its calls by code
    #: Calls of threads, and the calls of the loop with which each may share a bus.
    may_share: dict[str, tuple[str, ...]] = field(default_factory=dict)


def places(draft: Draft, on_loop: Iterable[int]) -> Places:
    """Where calls are, at the end of what is not known that `draft.setting` asks for."""
    made = Places([c.bus for c in draft.names], [dict(r.bus) for r in draft.readers])
    codes = sorted(set(on_loop))
    for reader, buses in zip(draft.readers, made.of_reader, strict=True):
        for code in reader.bus:
            _place(draft, codes, (reader, code), buses, made)
    return made


def _place(
    draft: Draft,
    codes: Sequence[int],
    call: tuple[Reader, int],
    buses: dict[int, str | None],
    made: Places,
) -> None:
    """Settle one call of a reader."""
    reader, code = call
    bus = buses[code]
    if (reader.recorded or bus in draft.known.inferred) and code not in draft.moved:
        return  # the log shows whom it shares a bus with
    if code in draft.moved and bus in draft.new_buses:
        return  # nothing else is taken to use it
    if bus is None and (draft.compute_share(code) or 0.0) >= _NO_BUS:
        return  # it computes, and uses none
    name = draft.names[code].name
    unnamed = _unnamed(draft, codes, name, bus)
    labelled = [] if bus is not None else _busiest(draft, codes)
    if not unnamed and not labelled:
        return
    made.may_share[name] = tuple(draft.names[c].name for c in (*unnamed, *labelled))
    draft.ranges |= {"bus", "lock"}
    if draft.unknown("shared") < 0.5:
        return
    shared = bus if bus is not None else UNNAMED
    buses[code] = shared
    for c in (*unnamed, *labelled):
        made.of_name[c] = shared


def _unnamed(draft: Draft, codes: Sequence[int], name: str, bus: str | None) -> list[int]:
    """Calls of the loop of which nobody knows the bus, and that are not seen apart from a call.

    Where whoever named the buses named them for all that use one by their kind, and for the call
    itself, what no name tells the kind of uses none; else it may as well.
    """
    apart = draft.known.seen.apart if draft.known.seen is not None else frozenset()
    found = [c for c in codes if draft.names[c].kind in _ON_A_BUS and draft.names[c].bus is None]
    on_any = [c for c in codes if draft.names[c].kind in _ON_A_BUS]
    if bus is None or found or not on_any:
        found += [
            c for c in codes
            if draft.names[c].kind == "other" and draft.names[c].bus is None
            and (draft.compute_share(c) or 0.0) < _NO_BUS
        ]  # fmt: skip
    return [c for c in found if (draft.names[c].name, name) not in apart]


def _busiest(draft: Draft, codes: Sequence[int]) -> list[int]:
    """Calls of the named bus on which the loop spends most."""
    named = [c for c in codes if draft.names[c].bus is not None]
    cost = dict.fromkeys((draft.names[c].bus for c in named), 0.0)
    if len(cost) < 2:
        return named
    for c, rows in draft.rows_of_each(named).items():
        cost[draft.names[c].bus] += float(draft.durations(rows).sum())
    most = max(cost, key=lambda bus: cost[bus])
    return [c for c in named if draft.names[c].bus == most]
