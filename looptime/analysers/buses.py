"""What each bus carries, what it costs the loop, and where two threads meet on it."""

import re
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from looptime.analysers.alike import grouped, pattern_of
from looptime.analysers.basis import Basis
from looptime.analysers.durations import CallTimes, call_times, narrowed
from looptime.array_types import Bool, Float, Int
from looptime.call_words import like
from looptime.project import Bus
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import CallName

__all__ = ["BatchGroup", "BusCost", "Buses", "Overlap", "RepeatedRead", "buses", "is_batched"]

_BATCH_WORDS = re.compile(r"(?<![a-z])(batch(ed)?|bulk|burst|block|all)(?![a-z])", re.IGNORECASE)


@dataclass(frozen=True)
class Overlap:
    """Calls on one bus from two threads at the same time."""

    name: str  #: Call of the loop's thread
    other_thread: str
    calls: int  #: Calls of that name
    overlapped: int  #: Those during which the other thread had a call on the bus
    #: Median duration without and with the other thread.
    alone_p50_ms: float | None
    overlapped_p50_ms: float | None
    #: What the meeting costs the loop: the difference of the means times how often.
    extra_ms_per_loop: float
    #: Calls that lie wholly within one call of the other thread: on a bus that serves one at a time
    #: that can hardly be.
    inside: int = 0


@dataclass(frozen=True)
class BusCost:
    """One bus."""

    bus: str
    #: Of the loop's thread: calls on the bus that hold no other call on it; self time; its share of
    #: the quantity judged.
    transactions_per_loop: float
    ms_per_loop: float
    share: float | None
    #: Of the other threads.
    other_transactions_per_loop: float
    other_ms_per_loop: float
    busy_share: float | None  #: Share of the time in which some thread has a call on it
    overlaps: tuple[Overlap, ...] = ()


@dataclass(frozen=True)
class RepeatedRead:
    """A batched read that is made more than once in a loop."""

    name: str
    calls_per_loop: float
    ms_per_call: float
    spare_ms_per_loop: float


@dataclass(frozen=True)
class BatchGroup:
    """Single reads that one batched read could serve."""

    bus: str | None  #: None where no bus is stated: then they share a device or subsystem
    place: str  #: Bus, device or subsystem that they share
    names: tuple[str, ...]
    reads_per_loop: float
    ms_per_loop: float  #: [ms]
    #: Most that a batch can save: all but the dearest single read, or what the project file says
    #: of the bus. What it saves depends on what each reading adds to the transaction.
    at_most_ms: float
    by_bus: bool = False  #: The project file says what a transaction on the bus costs


@dataclass(frozen=True)
class Buses:
    """What the buses carry."""

    buses: tuple[BusCost, ...]
    repeated: tuple[RepeatedRead, ...]
    batches: tuple[BatchGroup, ...]


def is_batched(label: CallName) -> bool:
    """Whether a call fetches several readings: as labelled, else by ordinary words in its name.

    Examples
    --------
    >>> is_batched(CallName("sensors.burst.read")), is_batched(CallName("wall.read"))
    (True, False)
    """
    if label.items is not None:
        return label.items > 1
    return bool(_BATCH_WORDS.search(re.sub(r"(?<=[a-z])(?=[A-Z])", ".", label.name)))


def buses(
    basis: Basis,
    times: Mapping[tuple[int, int], CallTimes] | None = None,
    stated: Mapping[str, Bus] | None = None,
) -> Buses:
    """Transactions and time of each bus, repeated batched reads, and reads a batch could serve.

    Parameters
    ----------
    basis : Basis
        From `looptime.analysers.basis.prepare`.
    times : dict, optional
        From `looptime.analysers.durations.call_times`, to save the time.
    stated : dict of str to Bus, optional
        What the project file says of each bus.
    """
    run = basis.run
    own_ms = basis.table.sums / max(len(basis.run), 1) / 1e6
    counts = _counts(run, call_times(run) if times is None else times)
    labels = sorted({n.bus for n in run.names if n.bus is not None})
    made: tuple[BusCost, ...] = ()
    if labels:
        place = np.array([labels.index(n.bus) if n.bus else len(labels) for n in run.names])
        of_call = narrowed(place, len(labels) + 1)[run.call_columns.name]
        made = tuple(
            _bus(basis, bus, np.flatnonzero(of_call == k), own_ms) for k, bus in enumerate(labels)
        )
    return Buses(made, _repeated(run, counts, own_ms), _batches(run, counts, own_ms, stated or {}))


def _counts(run: Run, times: Mapping[tuple[int, int], CallTimes]) -> Float:
    """Calls a loop on the loop's thread, by name."""
    made = np.zeros(len(run.names))
    for (thread, code), took in times.items():
        if thread == run.loop_thread:
            made[code] = took.count / max(len(run), 1)
    return made


def _bus(basis: Basis, bus: str, rows: Int, own_ms: Float) -> BusCost:
    run, at = basis.run, basis.run.call_columns
    start = at.start_ns[rows]
    end = start + at.duration_ns[rows]
    n, total = max(len(run), 1), float(basis.judged_ns.sum())
    ms = float(sum(own_ms[k] for k, name in enumerate(run.names) if name.bus == bus))
    if len(run.thread_names) > 1:
        thread = at.thread[rows]
        single = _transactions(thread, start, end)
        mine = thread == run.loop_thread
        count, others = int((single & mine).sum()), int((single & ~mine).sum())
        other_ns = float(at.self_ns[rows[~mine]].sum(dtype=np.int64))
        overlaps = _overlaps(run, rows, thread, start, end)
    else:
        single = _alone(start, end)
        count, others, other_ns, overlaps = int(single.sum()), 0, 0.0, ()
    if not single.all():
        start, end = start[single], end[single]
    return BusCost(
        bus,
        count / n,
        ms,
        ms * 1e6 * n / total if total > 0 and len(run) else None,
        others / n,
        other_ns / n / 1e6,
        _busy_ns(start, end) / max(run.duration_s * 1e9, 1.0),
        overlaps,
    )


def _alone(start: Int, end: Int) -> Bool:
    """Calls of one thread that hold no other of them."""
    return np.append(start[1:] >= end[:-1], True)[: len(start)]


def _transactions(thread: Int, start: Int, end: Int) -> Bool:
    """Calls that hold no other call on the same bus, by the same thread."""
    single = np.ones(len(start), bool)
    for code in np.flatnonzero(np.bincount(thread)):
        mine = np.flatnonzero(thread == code)
        single[mine] = _alone(start[mine], end[mine])
    return single


def _busy_ns(start: Int, end: Int) -> float:
    """Length of the union of the intervals [ns]."""
    if not len(start):
        return 0.0
    if (start[1:] >= end[:-1]).all():  # one after the other
        return float((end - start).sum())
    if (np.diff(start) < 0).any():
        order = np.argsort(start, kind="stable")
        start, end = start[order], end[order]
    reach = np.maximum.accumulate(end)
    begin = np.maximum(start[1:], reach[:-1])
    return float(end[0] - start[0] + np.maximum(end[1:] - begin, 0).sum())


def _overlaps(run: Run, rows: Int, thread: Int, start: Int, end: Int) -> tuple[Overlap, ...]:
    mine = thread == run.loop_thread
    made = []
    for other in np.flatnonzero(np.bincount(thread[~mine])):
        theirs = thread == other
        order = np.argsort(start[theirs], kind="stable")
        starts, ends = start[theirs][order], np.sort(end[theirs])
        met = np.searchsorted(starts, end[mine]) > np.searchsorted(ends, start[mine], "right")
        cover = np.searchsorted(starts, start[mine], "right") - 1
        within = (cover >= 0) & (end[theirs][order][np.maximum(cover, 0)] >= end[mine])
        name = run.call_columns.name[rows[mine]]
        duration = (end - start)[mine]
        for code in np.flatnonzero(np.bincount(name[met])):
            this = name == code
            made.append(
                replace(
                    _overlap(
                        run, int(code), int(other), duration[this & met], duration[this & ~met]
                    ),
                    inside=int((this & within).sum()),
                )
            )
    return tuple(made)


def _overlap(run: Run, code: int, other: int, with_ns: Int, without_ns: Int) -> Overlap:
    extra = 0.0
    if len(without_ns):
        extra = float(with_ns.mean() - without_ns.mean()) * len(with_ns) / len(run) / 1e6
    return Overlap(
        run.names[code].name,
        run.thread_names[other],
        len(with_ns) + len(without_ns),
        len(with_ns),
        float(np.median(without_ns)) / 1e6 if len(without_ns) else None,
        float(np.median(with_ns)) / 1e6,
        extra,
    )


def _repeated(run: Run, counts: Float, own_ms: Float) -> tuple[RepeatedRead, ...]:
    made = []
    for code in np.flatnonzero(counts > 1.05):
        label = run.names[code]
        if label.kind == "sensor read" and is_batched(label):
            per_call = float(own_ms[code] / counts[code])
            spare = per_call * (float(counts[code]) - 1)
            made.append(RepeatedRead(label.name, float(counts[code]), per_call, spare))
    return tuple(sorted(made, key=lambda r: -r.spare_ms_per_loop))


def _batches(
    run: Run, counts: Float, own_ms: Float, stated: Mapping[str, Bus]
) -> tuple[BatchGroup, ...]:
    groups: dict[tuple[str | None, str], list[int]] = {}
    nowhere: dict[str, int] = {}
    for code in np.flatnonzero(counts > 0):
        label = run.names[code]
        if label.kind != "sensor read" or label.batchable is False or is_batched(label):
            continue
        place = label.bus or (None if label.subsystem is None else like(label.subsystem))
        if place is not None:
            groups.setdefault((label.bus, place), []).append(int(code))
        else:
            nowhere[label.name] = int(code)
    for pattern, alike in grouped((name, None) for name in nowhere):
        if len(alike) > 1:  # like devices, of which nobody said where they sit
            groups[None, pattern] = [nowhere[name] for name in alike]
    made = []
    for (bus, place), group in groups.items():
        said = [code for code in group if run.names[code].batchable]
        codes = said if len(said) > 1 else group  # of the others it would be said by now
        reads, ms = float(counts[codes].sum()), float(own_ms[codes].sum())
        if reads < 1.9:
            continue
        dearest = float((own_ms[codes] / counts[codes]).max())
        names = tuple(run.names[k].name for k in codes)
        systems = {run.names[k].subsystem for k in codes} - {None}
        where = place if bus else systems.pop() if len(systems) == 1 else pattern_of(names)
        items = float(np.mean([run.names[k].items or 1 for k in codes]))
        bus_says = stated.get(bus or "")
        most = min(ms - dearest, _saved(bus_says, reads, ms, items))
        told = bus_says is not None and bool(bus_says.per_item_ms or bus_says.base_ms)
        made.append(BatchGroup(bus, where or place, names, reads, ms, max(most, 0.0), told))
    return tuple(sorted(made, key=lambda g: -g.at_most_ms))


def _saved(bus: Bus | None, reads: float, ms: float, items: float = 1.0) -> float:
    """What one transaction saves in place of several that take so long, by what is stated [ms].

    Each but one spares what it costs beside its items, as the planner takes it: by the log where it
    is stated what an item costs, else as stated.

    Examples
    --------
    >>> _saved(Bus(base_ms=0.4, per_item_ms=0.2), 8, 5.6), _saved(Bus(base_ms=0.5), 4, 2.8)
    (3.5, 1.5)
    """
    if bus is None or (bus.base_ms is None and bus.per_item_ms is None):
        return np.inf
    one = bus.base_ms if bus.per_item_ms is None else ms / reads - bus.per_item_ms * items
    return round((reads - 1) * (one or 0.0), 12)
