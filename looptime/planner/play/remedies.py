"""What each change does to a draft. Changes are applied in the order given."""

from collections.abc import Callable

import numpy as np

from looptime.analysers.alike import in_short
from looptime.array_types import Bool, Float, Int
from looptime.errors import UsageError
from looptime.planner.changes import Change
from looptime.planner.known.bus_model import BatchCost, batch_cost, call_cost_ms
from looptime.planner.known.call_clock import CallClock
from looptime.planner.play.draft import Draft, Move, Reader
from looptime.planner.play.paced import end_pace
from looptime.planner.play.pacer import PacedRate
from looptime.planner.play.recorded import change_thread, is_about_threads
from looptime.planner.play.shared_bus import oversleep
from looptime.schema import CallName
from looptime.stats.quantiles import percentiles
from looptime.words import count, named, percent

__all__ = ["apply"]

_SEED = 20_000
#: Single reads further than this share from what is stated of their bus are said to be unlike.
_UNLIKE = 0.2


def apply(draft: Draft, change: Change, number: int = 0) -> None:
    """Apply one change.

    Parameters
    ----------
    draft : Draft
        Altered in place.
    change : Change
        What to do.
    number : int
        Its place among the changes; makes chance differ from change to change.

    Raises
    ------
    UsageError
        If the change cannot be made to this run: one line that says why.
    """
    if is_about_threads(draft, change):
        change_thread(draft, change)
    elif change.verb == "on-change":
        _on_change(draft, change, number)
    else:
        _REMEDIES[change.verb](draft, change)


def _drop(draft: Draft, change: Change) -> None:
    draft.kill(draft.rows(draft.codes(change)))


def _scale(draft: Draft, change: Change) -> None:
    at, _ = draft.stretches(draft.rows(draft.codes(change)))
    draft.length[at] *= change.get("by")


def _cap(draft: Draft, change: Change) -> None:
    rows = draft.rows(draft.codes(change))
    at, which = draft.stretches(rows)
    limit = change.get("ms") * 1e6
    duration = np.bincount(which, weights=draft.length[at], minlength=len(rows))
    over = duration > limit
    factor = np.ones(len(rows))
    factor[over] = limit / duration[over]
    draft.length[at] *= factor[which]
    _cap_pauses(draft, change, rows, limit)


def _cap_pauses(draft: Draft, change: Change, rows: Int, limit: float) -> None:
    """Say how many of the turns beyond the limit look like pauses of the whole program."""
    pauses, line = draft.known.rhythms.pauses, draft.line
    struck = pauses.stretch[pauses.excess + line.length[pauses.stretch] > limit]
    called = line.owner[struck]
    many = int(np.isin(called[called >= 0], rows).sum())
    if many and pauses.sure:
        draft.warn(
            f"{change}: {count(many, 'long turn')} of what it is about look like pauses of the "
            "whole program, as calls have such by the time that they take: no limit on one call "
            "prevents pauses, so these are left as they are"
        )


def _move(draft: Draft, change: Change) -> None:
    bus = change.get("bus")
    known = {call.bus for call in draft.names} | set(draft.known.buses)
    if bus not in known:
        draft.warn(f"{change}: bus {bus!r} is new: nothing else is taken to use it")
        draft.new_buses.add(bus)
    for code in draft.codes(change):
        before = call_cost_ms(draft.names[code], draft.known.buses)
        draft.put_on_bus(code, bus)
        after = call_cost_ms(draft.names[code], draft.known.buses)
        if before and after:  # what a transaction costs differs; what a call adds to it stays
            rows = draft.rows([code])
            at, which = draft.stretches(rows)
            now = np.bincount(which, weights=draft.length[at], minlength=len(rows))
            draft.length[at] *= (after / before) if now.any() else 1.0


# ---- fewer calls ------------------------------------------------------------------------------


def _every(draft: Draft, change: Change) -> None:
    codes = draft.codes(change)
    places = [0] * len(codes) if change.get("together") else list(range(len(codes)))
    if change.get("ms") is not None:
        for place, code in zip(places, codes, strict=True):
            _every_ms(draft, code, change.get("ms") * 1e6, place)
        return
    k = change.get("loops")
    others = draft.known.rhythms.seldom_beside(codes) if k > 1 else []
    if others:
        draft.ranges.add("phase")
        draft.warn(
            f"{change}: whether it falls into the loops of {named(others)} is for the code to say: "
            "p50, p90 and p99 hold both"
        )
    shift = round(draft.unknown("phase") * k)
    for place, code in zip(places, codes, strict=True):
        rows = draft.rows([code])
        draft.kill(rows[~_one_in(draft.line.loop[rows], k, (shift + place) % k)])
        draft.timed.pop(code, None)


def _one_in(loops: Int, k: int, offset: int) -> Bool:
    """Which calls are left when one is made in every k-th loop only.

    Examples
    --------
    >>> _one_in(np.array([0, 1, 2, 3, 4, 5]), 3, 1).tolist()
    [False, True, False, False, True, False]
    >>> _one_in(np.array([0, 2, 4, 6, 8]), 3, 0).tolist()
    [True, False, True, False, True]
    """
    steps = np.diff(loops)
    if not len(steps) or steps.max() <= 1:
        return (loops - offset) % k == 0
    kept = np.zeros(len(loops), bool)
    last, due = -1, offset
    for i, loop in enumerate(loops.tolist()):
        if loop >= due or loop == last:
            kept[i] = True
            if loop != last:
                last, due = loop, loop + k
    return kept


def _every_ms(draft: Draft, code: int, interval_ns: float, place: int) -> None:
    """Call by the clock: due so long after the last time, looked at once a loop."""
    rows = draft.rows([code])
    known = draft.timed.get(code)
    if known is None or known.interval_ns is None:
        draft.own_loop.add(code)
    rule = "since start" if known is None or not known.rule else known.rule
    draft.timed[code] = CallClock(
        draft.names[code].name, code, "time", "by a change", None, interval_ns,
        "since start" if rule == "recorded" else rule,
        rows=rows[min(place, max(len(rows) - 1, 0)) :],
    )  # fmt: skip


def _on_change(draft: Draft, change: Change, number: int) -> None:
    """Let a share of the writes fall away: each by itself, or all of a loop together."""
    codes = draft.codes(change)
    rows, share = draft.rows(codes), change.get("share")
    names = in_short([draft.names[code].name for code in codes])
    draft.warn(
        f"share={share:g}: of {names}, {percent(share)} of the calls are left out, "
        f"{percent(1 - share)} are still made"
    )
    random = np.random.default_rng(_SEED + number)
    together = bool(change.get("together")) or draft.unknown("spread") > 0.5
    if together:
        gone = random.random(draft.line.n)[draft.line.loop[rows]] < share
    else:
        gone = random.random(len(rows)) < share
        if 0 < share < 1:
            draft.ranges.add("spread")
    draft.kill(rows[gone])


# ---- elsewhere in the loop --------------------------------------------------------------------


def _later(draft: Draft, change: Change) -> None:
    rows = draft.rows(draft.codes(change))
    targets = draft.rows(draft.codes(change, (change.get("before"),)))
    first = np.full(draft.line.n, -1, np.int64)
    loops = draft.line.loop[targets][::-1]
    first[loops] = targets[::-1]  # the first of each loop is written last
    target = first[draft.line.loop[rows]]
    later = target > rows + draft.line.size[rows] - 1
    if not later.any():
        raise UsageError(
            f"change {str(change)!r}: in no loop does {change.get('before')!r} come after it, so "
            "there is nothing to move later: name a call that is made later in the loop"
        )
    if not later.all():
        draft.warn(f"{change}: in {int((~later).sum())} loops it already comes after, or alone")
    moved = rows[later]
    draft.lift(moved)
    draft.moves.append(Move(moved, draft.line.first[target[later]] - 1))


# ---- batches ----------------------------------------------------------------------------------


def _batch(draft: Draft, change: Change) -> None:
    codes = _batchable(draft, change)
    rows = draft.rows(codes)
    if np.count_nonzero(np.bincount(draft.name[rows], minlength=1)) < len(codes):
        raise UsageError(
            f"change {str(change)!r}: some of these calls enclose others: name the inner ones only"
        )
    duration = draft.durations(rows)
    each = draft.rows_of_each(codes)
    typical = {code: _typical_now(draft, code, mine) for code, mine in each.items()}
    cost = _cost(draft, change, typical, each)
    if cost.is_range:
        draft.ranges.add("batch")
        draft.warn(
            f"{change}: what a batch costs on this bus is known from {cost.known_from}; the answer "
            "is a range: state base_ms and per_item_ms under [bus.NAME] to narrow it"
        )
    new, leads = _batched(draft, (rows, duration), typical, cost)
    code = draft.new_name(_batch_name(draft, change, codes))
    at, which = draft.stretches(rows[leads])
    old = duration[leads]
    ratio = np.divide(new, old, out=np.ones(len(new)), where=old > 0)
    draft.length[at] *= ratio[which]
    draft.name[rows[leads]] = code
    others = np.ones(len(rows), bool)
    others[leads] = False
    draft.kill(rows[others])


def _batchable(draft: Draft, change: Change) -> list[int]:
    codes = draft.codes(change)
    text = str(change)
    fixed = [draft.names[c].name for c in codes if draft.names[c].batchable is False]
    codes = [c for c in codes if draft.names[c].batchable is not False]
    writes = [draft.names[c].name for c in codes if draft.names[c].kind == "actuator write"]
    if 0 < len(writes) < len(codes):
        draft.warn(
            f"{change}: takes {count(len(writes), 'write')} ({named(writes)}) into one transaction "
            "with the reads: name the reads alone, or see that the bus can do both at once"
        )
    if fixed:
        draft.warn(f"{change}: {', '.join(fixed)} cannot be batched and stays as it is")
    if len(codes) < 2:
        raise UsageError(f"change {text!r}: takes at least two calls that can share a transaction")
    buses = {draft.names[c].bus for c in codes}
    unsure = {None, *draft.known.inferred} & buses  # nobody named these: they may be the same
    if len(buses - unsure) > 1:
        first = {draft.names[c].bus: draft.names[c].name for c in reversed(codes)}
        shown = ", ".join(
            f"{n!r} is on {b or 'no bus named'}" for b, n in sorted(first.items(), key=str)
        )
        raise UsageError(f"change {text!r}: a batch cannot reach across buses: {shown}")
    if None in buses or len(buses) > 1:
        draft.warn(f"{change}: nobody named the bus of some of these: all are taken to be on one")
    timed = [draft.names[c].name for c in codes if c in draft.timed]
    if timed:
        raise UsageError(
            f"change {text!r}: {timed[0]!r} goes by the clock and not by the loop: leave it out"
        )
    return codes


def _say_if_unlike(
    draft: Draft, change: Change, typical: dict[int, float], stated: tuple[float, float]
) -> None:
    """Say where the log's single reads do not take what the project file says of their bus."""
    logged = sum(typical.values()) / 1e6
    told = sum(stated[0] + stated[1] * (draft.names[c].items or 1) for c in typical)
    if abs(logged - told) > _UNLIKE * logged:
        draft.warn(
            f"{change}: read singly, these take {logged:.3g} ms in the log and {told:.3g} ms by "
            "base_ms and per_item_ms: what the log adds to one read is left on the batch; correct "
            "[bus.NAME], or give base-ms and per-item-ms with the change"
        )


def _cost(
    draft: Draft, change: Change, typical: dict[int, float], rows: dict[int, Int]
) -> BatchCost:
    known = draft.known
    bus = draft.names[next(iter(typical))].bus
    stated = known.buses.get(bus or "")
    base, per_item = change.get("base-ms"), change.get("per-item-ms")
    if base is not None and per_item is not None:  # what is asked for outranks the log
        return BatchCost(base * 1e6, per_item * 1e6, per_item * 1e6, "the change")
    if stated is not None:
        base = stated.base_ms if base is None else base
        per_item = stated.per_item_ms if per_item is None else per_item
    items = [draft.names[c].items or 1 for c in typical]
    if base is not None and per_item is not None:
        _say_if_unlike(draft, change, typical, (base, per_item))
    others = []
    if bus is not None:
        sized = [
            (call.items, known.typical_ns[code])
            for code, call in enumerate(known.run.names)
            if call.bus == bus and code in known.typical_ns and code not in draft.clocks
        ]
        if any(n is not None for n, _ in sized):
            others = [(n or 1, ns) for n, ns in sized]
    spread = float(np.mean([_above_floor(draft.durations(mine)) for mine in rows.values()]))
    return batch_cost(items, list(typical.values()), (base, per_item), others, spread)


def _above_floor(took: Float) -> float:
    """How far a call's usual cost lies above its least, as a share of it."""
    low, middle = percentiles(took, [2, 50]) if len(took) else (0.0, 0.0)
    return (middle - low) / middle if middle > 0 else 0.0


def _typical_now(draft: Draft, code: int, rows: Int) -> float:
    """Typical cost of a call after the changes so far [ns]."""
    recorded = draft.known.typical_ns.get(code, 0.0)
    if not len(rows) or code >= len(draft.known.run.names):
        return float(np.mean(draft.durations(rows))) if len(rows) else recorded
    at, _ = draft.stretches(rows)
    was, now = draft.known.line.length[at], draft.length[at]
    return recorded * float(now.sum() / was.sum()) if was.sum() else float(now.sum()) / len(rows)


def _batched(
    draft: Draft, calls: tuple[Int, Float], typical: dict[int, float], cost: BatchCost
) -> tuple[Float, Int]:
    """Length of the one transaction in each loop, and which call it takes the place of.

    It is as uneven as one transaction is, not as the mean of several: its deviation is that of
    the call whose place it takes; a long turn of that call stays as long as it was.
    """
    rows, duration = calls
    loop = draft.line.loop[rows]
    leads = np.flatnonzero(np.diff(loop, prepend=-1))
    group = np.cumsum(np.diff(loop, prepend=-1) != 0) - 1
    codes = draft.name[rows]
    typical_of = np.zeros(len(draft.names))
    typical_of[list(typical)] = list(typical.values())
    usual_cost = typical_of[codes]
    items = np.array([call.items or 1 for call in draft.names], float)[codes]
    k = len(leads)
    dearest = np.zeros(k)
    np.maximum.at(dearest, group, usual_cost)
    total_items = np.bincount(group, weights=items, minlength=k)
    total = np.bincount(group, weights=usual_cost, minlength=k)
    several = np.bincount(group, minlength=k) > 1
    model = cost.ns(draft.unknown("batch"), total_items.astype(float), dearest, total.astype(float))
    own = duration[leads]
    usual = usual_cost[leads]
    limit = 1.3 * usual
    calm = np.minimum(own, limit)
    new = model * np.divide(calm, usual, out=np.ones(k), where=usual > 0) + (own - calm)
    return np.where(several, new, own), leads


def _batch_name(draft: Draft, change: Change, codes: list[int]) -> CallName:
    calls = [draft.names[c] for c in codes]
    devices = {call.device for call in calls}
    systems = {call.subsystem for call in calls}
    return CallName(
        change.get("as") or "batch " + " ".join(change.patterns),
        kind=calls[0].kind,
        subsystem=calls[0].subsystem if len(systems) == 1 else None,
        device=calls[0].device if len(devices) == 1 else None,
        bus=calls[0].bus,
        items=sum(call.items or 1 for call in calls),
        batchable=False,
        kind_from=calls[0].kind_from,
    )


# ---- threads and pace -------------------------------------------------------------------------


def _thread(draft: Draft, change: Change) -> None:
    codes = draft.codes(change)
    rows = draft.rows(codes)
    if not len(rows):
        raise UsageError(f"change {str(change)!r}: none of these calls is left in the loop")
    rest = change.get("rest-ms", 0.0) * 1e6
    timed = [c for c in codes if c in draft.timed and draft.timed[c].interval_ns]
    if timed and rest == 0:
        rest = min(draft.timed[c].interval_ns or 0.0 for c in timed)
    turns = [rows[draft.name[rows] == code] for code in codes]
    turns = [turn for turn in turns if len(turn)]
    k = max(len(turn) for turn in turns)
    columns = [np.resize(draft.durations(turn), k) for turn in turns]
    before, more = np.zeros((2, k, len(turns)))
    if rest:
        before[:, 0], more[:, 0] = rest, oversleep(k, draft.known.late_wakes)
    names = [int(draft.name[turn[0]]) for turn in turns]
    _keep_ticks(draft, names, columns, rest + float(more.mean()) * len(turns))
    draft.readers.append(
        Reader(
            _thread_name(draft, change), np.tile(np.array(names), k), np.stack(columns, 1).ravel(),
            before.ravel(), {c: draft.names[c].bus for c in sorted(names)},
            oversleep=more.ravel() if rest else None,
        )
    )  # fmt: skip
    for code, turn in zip(names, turns, strict=True):
        draft.pickups.append((code, turn))
        draft.timed.pop(code, None)
        draft.clocks.pop(code, None)
        draft.pulses.pop(code, None)
    draft.lift(rows)


def _keep_ticks(draft: Draft, names: list[int], columns: list[Float], off_ns: float) -> None:
    """Let a call that waits for its device's tick do so in its thread too: none comes sooner.

    It lasts from the end of all else that the thread does in a turn, `off_ns` of it no call [ns],
    up to the first tick at which the device can have answered.
    """
    waits = [i for i, code in enumerate(names) if code in draft.clocks]
    if len(waits) != 1 or not draft.clocks[names[waits[0]]].interval_ns:
        return
    at = waits[0]
    clock = draft.clocks[names[at]]
    period = float(clock.interval_ns or 0.0)
    others = np.full(len(columns[at]), off_ns)
    for i in range(len(names)):
        others += columns[i] if i != at else 0.0
    if clock.rule == "since end":
        columns[at] = np.maximum(period - others, np.minimum(columns[at].min(), period))
        return
    columns[at] = period * np.maximum(np.ceil(others / period), 1.0) - others


def _thread_name(draft: Draft, change: Change) -> str:
    taken = set(draft.known.run.thread_names) | {reader.thread for reader in draft.readers}
    name, number = f"reader of {' '.join(change.patterns)}", 2
    while name in taken:
        name, number = f"reader {number} of {' '.join(change.patterns)}", number + 1
    return name


#: What a loop that was too long for its pace makes of the ticks, as `Setting.late` has it.
_AFTER_LATE = {0.0: "catch-up", 0.5: "go-on", 1.0: "skip"}


def _pace(draft: Draft, change: Change) -> None:
    end_pace(draft)
    late, log = change.get("late"), draft.known.pace
    told = late is None and log is not None and log[0].told
    if told and log is not None:
        late = log[0].late
    if late is None:
        draft.ranges.add("late")
        late = _AFTER_LATE[draft.unknown("late")]
    draft.pace = PacedRate(1e9 / change.get("hz"), late, told=told)


_REMEDIES: dict[str, Callable[[Draft, Change], None]] = {
    "batch": _batch, "thread": _thread, "move": _move, "every": _every, "later": _later,
    "drop": _drop, "cap": _cap, "scale": _scale, "pace": _pace,
}  # fmt: skip
