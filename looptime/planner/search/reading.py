"""Remedies for reads of the loop: batches, threads, fewer of them, and when they are made."""

import itertools
from dataclasses import replace

import numpy as np

from looptime.analysers.alike import in_short
from looptime.planner.changes import Change
from looptime.planner.play.draft import Setting
from looptime.planner.play.replay import Plays
from looptime.planner.search.look import Look, bus_in_words, change_of, doing
from looptime.schema import CallName
from looptime.words import percent

__all__ = ["batches", "dear_in_threads", "fewer_reads", "later", "like_unknown"]

#: Single calls whose costs differ by less than this share look like reads of one kind of device.
_ALIKE = 0.3
#: Kinds of calls whose bus is none that a sensor could be moved to.
_NO_DEVICE = ("telemetry", "compute", "wait", "pacing")
#: Calls in a row that differ by less than this share take the same, so many of them no longer by
#: chance; and the share of the loop from which on they are worth a word.
_EQUAL, _IN_A_ROW, _WORTH = 0.07, 3, 0.1
_NAME_BUS = (
    "only their bus is not known: if they share one, name it as bus under [[call]] in looptime.toml"
)
_THREAD_CHECK = (
    "see in the hardware maker's documentation what may be called from a thread; afterwards record "
    "a minute and see whether the loop waits"
)


def batches(look: Look) -> None:
    """Reads on one bus in one transaction; where nobody named it, reads that look alike."""
    by_bus: dict[str | None, list[str]] = {}
    known = {call.name: call for call in look.at.run.names}
    timed = {r.name for r in look.at.rhythms.calls if r.recurs != "loop"}
    for name in look.names("sensor read"):
        if known[name].batchable is False:
            look.leave(f"batch {name}", "it is stated not to be batchable")
        elif name not in timed and look.per_loop[name] >= 0.9:
            by_bus.setdefault(known[name].bus, []).append(name)
    for bus, names in by_bus.items():
        if bus is not None and len(names) == 1:
            look.leave(f"batch {names[0]}", f"it is the only batchable read on {bus_in_words(bus)}")
            continue
        stated = [n for n in names if known[n].batchable] if bus is not None else []
        stated = stated if len(stated) > 1 else []
        where = "that look alike" if bus is None else f"on {bus_in_words(bus)}"
        doubt = "that they sit on one bus (nobody named it)" if bus is None else ""
        groups = _alike(look, [n for n in names if n not in stated])
        for group in [stated, *groups] if stated else groups:
            _batch(look, group, where, doubt)
        if bus is None:
            _ask_for_bus(look, names)


def _ask_for_bus(look: Look, names: list[str]) -> None:
    """Reads that look unlike may share a bus all the same, if somebody said so."""
    heads = [_head(name) for name in names]
    alone = [name for name, head in zip(names, heads, strict=True) if heads.count(head) == 1]
    if len(alone) > 1:
        look.leave(f"batch {in_short(alone)}", _NAME_BUS)


def like_unknown(look: Look) -> None:
    """Calls of unknown kind in a row that take the same: one transaction each, it may be.

    Fewer than three are as long as each other by chance.
    """
    known = {call.name: call for call in look.at.run.names}
    code = {call.name: i for i, call in enumerate(look.at.run.names)}
    row: list[str] = []
    for name in [*sorted(look.cost, key=lambda n: _begins_ns(look, n)), None]:
        mine = name is not None and known[name].kind == "other" and look.per_loop[name] >= 0.9
        cost = look.at.typical_ns.get(code[name], look.cost[name]) if name is not None else 0.0
        first = look.at.typical_ns.get(code[row[0]], look.cost[row[0]]) if row else 0.0
        if mine and name is not None and row and abs(cost - first) <= _EQUAL * first:
            row.append(name)
            continue
        _offer(look, row)
        row = [name] if mine and name is not None and known[name].batchable is not False else []


def _offer(look: Look, names: list[str]) -> None:
    if len(names) < _IN_A_ROW or sum(look.share(n) for n in names) < _WORTH:
        return
    took = sum(look.cost[n] for n in names) / 1e6
    look.add(
        [change_of("batch", names, look)], names,
        f"{len(names)} calls in a row of {took / len(names):.3g} ms each, as transactions on one "
        "bus are; no name says what they do", "high",
        say=f"If they talk to one bus, make one batch of {in_short(names)}",
        check="see whether they talk to devices on one bus at all, and that the driver offers a "
        "batch; state kind and bus under [[call]] in looptime.toml",
    )  # fmt: skip


def _batch(look: Look, names: list[str], where: str, doubt: str) -> None:
    known = {call.name: call for call in look.at.run.names}
    stated = all(known[n].batchable for n in names)
    check = " and ".join(
        part for part in (doubt, "" if stated else "that the driver offers a batched read") if part
    )
    took = sum(look.cost[n] for n in names) / 1e6
    look.add(
        [change_of("batch", names, look)], names,
        f"{len(names)} reads {where} take {took:.3g} ms one by one",
        "low" if stated else "medium", say=f"{doing('Read', names)} in one batch",
        check="see " + (check or "that each reading still gets to where it is used"),
    )  # fmt: skip


def _head(name: str) -> str:
    """What the name of a read begins with, without a number."""
    return name.partition(".")[0].rstrip("0123456789_")


def _alike(look: Look, names: list[str]) -> list[list[str]]:
    """Reads whose names begin alike and that cost about the same."""
    groups: dict[str, list[str]] = {}
    for name in names:
        groups.setdefault(_head(name), []).append(name)
    made = []
    code = {call.name: i for i, call in enumerate(look.at.run.names)}
    for head, group in groups.items():  # by what they cost without waits: those come by chance
        each = np.array([look.at.typical_ns.get(code[n], look.cost[n]) for n in group])
        close = [n for n, c in zip(group, each, strict=True)
                 if abs(c - np.median(each)) <= _ALIKE * np.median(each)]  # fmt: skip
        if len(close) > 1:
            made.append(close)
            for name in set(group) - set(close):
                look.leave(f"batch {name}", f"it costs otherwise than {in_short(close)}")
        elif len(group) > 1:
            look.leave(f"batch {head}.*", "their costs differ: are they of one device?")
    return made


def dear_in_threads(look: Look) -> None:
    """Dear reads and writes in a thread: with a rest that their bus can carry, else on another."""
    known = {call.name: call for call in look.at.run.names}
    on_bus = {c.bus for c in look.at.run.names if c.kind not in _NO_DEVICE}
    buses = sorted({bus for bus in on_bus if bus} | set(look.at.buses))
    busy = {bus: _busy(look, bus) for bus in buses}
    dear = sorted(look.names("sensor read"), key=look.share, reverse=True)[:3]
    slow = [n for n in look.names("actuator write") if look.share(n) >= 0.1][:2]
    for name in dear + slow:
        if look.share(name) < 0.05:
            continue
        bus = known[name].bus
        users = look.names("sensor read") + look.names("actuator write")
        others = {known[n].bus for n in users if n != name}
        if bus is not None and bus not in others and None not in others:
            change = change_of("thread", [name], look)
            why = f"nothing else in the loop uses {bus_in_words(bus)}"
            _thread(look, name, [change], why, "medium", f"{_hand(name, known)} in a thread")
            continue
        _resting(look, name, bus)
        for other in buses if bus is not None else ():
            if other != bus and busy[other] < 0.5:
                moved = change_of("move", [name], look, bus=other)
                why = f"{bus_in_words(other)} is in use only {percent(busy[other])} of the time"
                say = f"Put {name} on {bus_in_words(other)} and into a thread"
                plan = [moved, change_of("thread", [name], look, rest_ms=5.0)]
                _thread(look, name, plan, why, "medium", say)


def _hand(name: str, known: dict[str, CallName]) -> str:
    return doing("Write" if known[name].kind == "actuator write" else "Read", [name])


def _resting(look: Look, name: str, bus: str | None) -> None:
    """A thread on the loop's bus, or on one that nobody named, with the rest that pays."""
    known = {call.name: call for call in look.at.run.names}
    rest = _rest(look, name)
    where = bus_in_words(bus) if bus is not None else "a bus that it may share with the loop"
    if rest is None:
        why = f"{where} cannot carry it: with no rest tried is the loop surely faster"
        if bus is None:
            why = "nobody named its bus, and on a shared one the loop may get slower: name it in "
            why += "looptime.toml"
        look.leave(f"thread {name}", why)
        return
    change = change_of("thread", [name], look, rest_ms=rest)
    shared = f"on its bus, {bus!r}," if bus is not None else "even if it shares a bus with the loop"
    _thread(
        look, name, [change], f"{shared} it pays with a rest of {rest:g} ms", "high",
        f"{_hand(name, known)} in a thread that rests {rest:g} ms after each",
    )  # fmt: skip


def _thread(look: Look, name: str, changes: list[str], why: str, risk: str, say: str) -> None:
    look.add(changes, [name], why, risk, say=say, check=_THREAD_CHECK, age_of=name)


def _busy(look: Look, bus: str) -> float:
    run = look.at.run
    mine = np.array([call.bus == bus for call in run.names], bool)[run.call_columns.name]
    return float(run.call_columns.duration_ns[mine].sum(dtype=np.int64)) / (run.duration_s * 1e9)


def _rest(look: Look, name: str) -> float | None:
    """Shortest rest that gives most of what a thread could save, whatever is not known."""
    most = look.cost[name]
    if look.at.least_ms is not None:
        most = min(most, look.mean_ns - 1e6 * look.at.least_ms)
    target = look.mean_ns - 0.6 * most
    short = replace(look.few, most_ns=target, roomy={})
    for rest in (2.0, 5.0, 10.0, 20.0, 40.0, 80.0):
        plays = Plays(short, [Change.of("thread", name, rest_ms=rest)])
        worst_first = itertools.product((1.0, 0.0), ("middle", "fair"))
        played = (plays.at(Setting(lock=lock, shared=to)) for to, lock in worst_first)
        if all(one.mean_ns < target for one in played):
            return rest
    return None


def fewer_reads(look: Look) -> None:
    """Reads that may be made less often; those that steer are spared."""
    groups = [sorted(c.calls) for c in look.made if c.changes[0].startswith("batch ")]
    grouped = {name for group in groups for name in group}
    capped = {name for c in look.made if c.changes[0].startswith("cap ") for name in c.calls}
    single = [n for n in look.names("sensor read") if n not in grouped | capped]
    for names in [*groups, *([n] for n in single)]:
        share = sum(look.share(n) for n in names)
        if share < 0.04 or min(look.per_loop[n] for n in names) < 0.9:
            continue
        text = change_of("every", names, look, loops=4)
        steers = look.steers(names)
        if steers:
            look.leave(text, steers)
            continue
        age = 4 * look.mean_ns / 1e6
        look.add(
            [text], names, f"{percent(share)} of the loop, if what it reads changes slowly",
            "medium",
            say=f"{doing('Read', names)} in every fourth loop",
            check=f"see that whoever uses it can do with a reading up to {age:.0f} ms old",
            age_of=names[0],
        )  # fmt: skip


def later(look: Look) -> None:
    """The heading read just before its use."""
    name = look.heading_call
    if name is None or name not in look.cost:
        return
    writes = {n: _begins_ns(look, n) for n in look.names("actuator write")}
    after = [n for n in writes if writes[n] > _begins_ns(look, name)]
    if not after:
        known = "comes after it" if writes else "is known in this log"
        look.leave(f"later {name}", f"no actuator write {known}")
        return
    target = min(after, key=lambda n: writes[n])
    look.add(
        [str(Change.of("later", name, before=target))], [name],
        "the same calls in another order: a younger reading", "medium",
        say=f"{doing('Read', [name])} just before {target}",
        check="see that nothing in between needs it", age_of=name,
    )  # fmt: skip


def _begins_ns(look: Look, name: str) -> float:
    """How far into a loop a call usually begins [ns]."""
    run, line = look.at.run, look.at.line
    code = next(k for k, call in enumerate(run.names) if call.name == name)
    row = line.row[line.name == code]
    calls = run.call_columns
    return float(np.median(calls.start_ns[row] - run.loop_columns.start_ns[calls.loop[row]]))
