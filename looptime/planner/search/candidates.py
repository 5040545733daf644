"""Which remedies make sense for a log, and why others do not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

import numpy as np

from looptime.errors import ProjectError
from looptime.heading.instants import heading_read_guess
from looptime.planner.changes import VERBS, Change, parse
from looptime.planner.play.draft import KnownRun, Setting, shortened
from looptime.planner.play.replay import play

__all__ = ["EFFORT", "Candidate", "NotProposed", "candidates", "efforts"]

#: Effort of each kind of change: 1 a line or two, 3 an afternoon, 5 days.
EFFORT: dict[str, float] = {
    "every": 1, "later": 1, "drop": 1, "pace": 1, "on-change": 2, "cap": 2, "scale": 3, "batch": 3,
    "move": 4, "thread": 5, "rest": 1, "unthread": 3,
}  # fmt: skip
_FEW = 500  # loops that show whether a thread pays
_LEAST = 0.005  # of the mean loop: a saving below this is not worth a proposal


@dataclass(frozen=True)
class Candidate:
    """A remedy that makes sense.

    Parameters
    ----------
    changes : tuple of str
    calls : frozenset of str
        Calls that it is about; two remedies of one call do not go together.
    why : str
    risk : str
        ``low``, ``medium`` or ``high``.
    effort : float
    age_of : str or None
        Call whose reading age is what changes.
    """

    changes: tuple[str, ...]
    calls: frozenset[str]
    why: str
    risk: str
    effort: float
    age_of: str | None = None

    def to_dict(self) -> dict[str, object]:
        """As JSON holds it."""
        return {
            "changes": list(self.changes), "why": self.why, "risk": self.risk,
            "effort": self.effort,
        }  # fmt: skip


@dataclass(frozen=True)
class NotProposed:
    """A remedy that was looked at and left out."""

    text: str
    why: str


def efforts(stated: Mapping[str, float]) -> dict[str, float]:
    """Effort classes with those of the project file.

    Raises
    ------
    ProjectError
        If it states an effort for what is not a kind of change.

    Examples
    --------
    >>> efforts({"thread": 8})["thread"]
    8
    """
    for key in stated:
        if key not in EFFORT:
            raise ProjectError(
                f"[effort]: {key!r} is not a kind of change: use one of {', '.join(EFFORT)}"
            )
    return {**EFFORT, **stated}


@dataclass
class _Look:
    """What the search sees of a log."""

    at: KnownRun
    effort: dict[str, float]
    heading_call: str | None
    cost: dict[str, float] = field(default_factory=dict)
    per_loop: dict[str, float] = field(default_factory=dict)
    mean_ns: float = 0.0
    made: list[Candidate] = field(default_factory=list)
    left: list[NotProposed] = field(default_factory=list)

    def add(self, changes: list[str], calls: list[str], why: str, risk: str,
            age_of: str | None = None) -> None:  # fmt: skip
        """Add a candidate; its effort is that of its changes."""
        effort = sum(self.effort[parse(text).verb] for text in changes)
        self.made.append(Candidate(tuple(changes), frozenset(calls), why, risk, effort, age_of))

    def share(self, name: str) -> float:
        """Cost of a call over the mean loop."""
        return self.cost.get(name, 0.0) / self.mean_ns if self.mean_ns else 0.0


def candidates(
    at: KnownRun, effort: Mapping[str, float] | None = None, heading_call: str | None = None
) -> tuple[list[Candidate], list[NotProposed]]:
    """Remedies that make sense for a log, each alone.

    Parameters
    ----------
    at : KnownRun
        The log, or a sample of it.
    effort : dict of str to float, optional
        Effort classes; `EFFORT` by default.
    heading_call : str, optional
        The call that reads the heading.

    Returns
    -------
    candidates : list of Candidate
    not_proposed : list of NotProposed
        What was looked at and left out before it was played.
    """
    look = _Look(at, dict(effort or EFFORT), heading_call)
    run, line = at.run, at.line
    took = run.call_columns.duration_ns[line.row]
    total = np.bincount(line.name, weights=took, minlength=len(run.names)) / len(run)
    count = np.bincount(line.name, minlength=len(run.names)) / len(run)
    leaf = np.zeros(len(run.names), bool)
    leaf[np.unique(line.name[line.size == 1])] = True
    for code, call in enumerate(run.names):
        if count[code] and leaf[code]:
            look.cost[call.name] = float(total[code])
            look.per_loop[call.name] = float(count[code])
    look.mean_ns = float(run.loop_columns.period_ns.mean())
    for search in (_batches, _fewer_reads, _threads, _telemetry, _writes, _stalls, _later):
        search(look)
    return look.made, look.left


def _names(look: _Look, keep: Callable[[str], bool] | None = None, *, kind: str) -> list[str]:
    known = {call.name: call for call in look.at.run.names}
    return [n for n in look.cost if known[n].kind == kind and (keep is None or keep(n))]


def _common(names: list[str]) -> str:
    """Longest beginning that all names share."""
    first, last = min(names), max(names)
    length = next((i for i, c in enumerate(first) if c != last[i : i + 1]), len(first))
    return first[:length]


def pattern_for(names: list[str], others: list[str]) -> tuple[str, ...]:
    """The shortest pattern that means these names and no others; else the names themselves.

    Examples
    --------
    >>> pattern_for(["a.left.read", "a.right.read"], ["a.left.write", "b.read"])
    ('a.*.read',)
    >>> pattern_for(["a", "b"], ["c"])
    ('a', 'b')
    """
    head = _common(names)
    tail = _common([n[::-1] for n in names])[::-1]
    head = head[: max(head.rfind(c) for c in ".:/_ ") + 1]
    cut = min((i for i in (tail.find(c) for c in ".:/_ ") if i >= 0), default=len(tail))
    pattern = head + "*" + tail[cut:]
    plain = not set("*?[]").intersection(head + tail)
    if plain and pattern != "*" and not any(fnmatchcase(n, pattern) for n in others):
        return (pattern,)
    return tuple(names)


def _change(verb: str, names: list[str], look: _Look, **options: object) -> str:
    others = [call.name for call in look.at.run.names if call.name not in names]
    patterns: tuple[str, ...] = tuple(names)
    if len(names) > 1:
        patterns = pattern_for(names, others)
        if len(patterns) > 1:  # one pattern a subsystem
            groups: dict[str, list[str]] = {}
            for name in names:
                groups.setdefault(name.split(".")[0], []).append(name)
            patterns = tuple(
                p for g in groups.values() for p in (pattern_for(g, others) if len(g) > 1 else g)
            )
    return str(Change.of(verb, *patterns, **options))


def _batches(look: _Look) -> None:
    """Reads on one bus in one transaction."""
    by_bus: dict[str | None, list[str]] = {}
    known = {call.name: call for call in look.at.run.names}
    timed = {r.name for r in look.at.rhythms.calls if r.recurs != "loop"}
    for name in _names(look, kind="sensor read"):
        call = known[name]
        if call.batchable is False:
            look.left.append(NotProposed(f"batch {name}", "it is stated not to be batchable"))
        elif name not in timed and look.per_loop[name] >= 0.9:
            by_bus.setdefault(call.bus, []).append(name)
    for bus, names in by_bus.items():
        if bus is None:
            if len(names) > 1:
                text = "their bus is not known: state bus under [[call]] in looptime.toml"
                look.left.append(NotProposed(f"batch {', '.join(names[:3])} ...", text))
            continue
        if len(names) < 2:
            why = f"it is the only batchable read on bus {bus!r}"
            look.left.append(NotProposed(f"batch {names[0]}", why))
            continue
        stated = all(known[n].batchable for n in names)
        why = f"{len(names)} reads on bus {bus!r} in one transaction"
        why += "" if stated else "; check that the device offers it (batchable is not stated)"
        look.add([_change("batch", names, look)], names, why, "low" if stated else "medium")


def _threads(look: _Look) -> None:
    """Dear reads in a thread: on their bus if it can carry it, else on another."""
    known = {call.name: call for call in look.at.run.names}
    buses = sorted({c.bus for c in look.at.run.names if c.bus} | set(look.at.buses))
    busy = {bus: _busy(look, bus) for bus in buses}
    dear = sorted(_names(look, kind="sensor read"), key=look.share, reverse=True)
    for name in dear[:3]:
        if look.share(name) < 0.05:
            continue
        bus = known[name].bus
        if bus is None:
            why = "its bus is not known, so nobody can say who would wait for whom"
            look.left.append(NotProposed(f"thread {name}", why))
            continue
        alone = bus not in {known[n].bus for n in look.cost if n != name}
        if alone:
            change = _change("thread", [name], look)
            look.add([change], [name], f"nothing else in the loop uses bus {bus!r}", "medium", name)
            continue
        rest = _rest(look, name)
        if rest is None:
            why = f"bus {bus!r} cannot carry it: with no rest tried is the loop surely faster"
            look.left.append(NotProposed(f"thread {name}", why))
        else:
            change = _change("thread", [name], look, rest_ms=rest)
            why = f"on its bus {bus!r} it pays with a rest of {rest:g} ms after each read"
            look.add([change], [name], why, "high", name)
        for other in buses:
            if other != bus and busy[other] < 0.5:
                changes = [
                    _change("move", [name], look, bus=other),
                    _change("thread", [name], look),
                ]
                why = f"bus {other!r} is in use only {busy[other]:.0%} of the time"
                look.add(changes, [name], why, "medium", name)


def _busy(look: _Look, bus: str) -> float:
    run = look.at.run
    mine = np.array([call.bus == bus for call in run.names], bool)[run.call_columns.name]
    return float(run.call_columns.duration_ns[mine].sum(dtype=np.int64)) / (run.duration_s * 1e9)


def _rest(look: _Look, name: str) -> float | None:
    """Shortest rest that gives most of what a thread could save, whoever gets the bus."""
    target = look.mean_ns - 0.6 * look.cost[name]
    stated = {r.name: r.recurs for r in look.at.rhythms.calls if r.recurs in ("loop", "time")}
    short = shortened(look.at, _FEW, stated)
    for rest in (2.0, 5.0, 10.0, 20.0, 40.0, 80.0):
        plan = (Change.of("thread", name, rest_ms=rest),)
        worst = max(
            float(play(short, plan, Setting(lock=lock)).run.loop_columns.period_ns.mean())
            for lock in ("fair", "middle", "high")
        )
        if worst < target:
            return rest
    return None


def _fewer_reads(look: _Look) -> None:
    """Reads that may be made less often; those that a batch could serve, together."""
    groups = [sorted(c.calls) for c in look.made if c.changes[0].startswith("batch ")]
    grouped = {name for group in groups for name in group}
    single = [n for n in _names(look, kind="sensor read") if n not in grouped]
    for names in [*groups, *([n] for n in single)]:
        share = sum(look.share(n) for n in names)
        if share < 0.04 or min(look.per_loop[n] for n in names) < 0.9:
            continue
        text = _change("every", names, look, loops=4)
        if look.heading_call in names:
            look.left.append(NotProposed(text, "it reads the heading, which must be young"))
            continue
        if look.heading_call is None and heading_read_guess(look.at.run) in names:
            why = "by its name it reads the heading, which must be young; read_call names another"
            look.left.append(NotProposed(text, why))
            continue
        why = "if what it reads changes slowly: the reading gets up to four loops old"
        steers = _subsystems(look, names) & _subsystems(look, _names(look, kind="actuator write"))
        risk = "medium"
        if steers:
            risk = "high"
            why += f", and {', '.join(sorted(steers))} may be steered by it"
        look.add([text], names, why, risk, names[0])


def _subsystems(look: _Look, names: list[str]) -> set[str]:
    """Subsystems of these calls."""
    return {c.subsystem for c in look.at.run.names if c.name in names and c.subsystem}


def _telemetry(look: _Look) -> None:
    rhythm = {r.name: r for r in look.at.rhythms.calls if r.recurs == "time"}
    for name in _names(look, kind="telemetry"):
        if look.share(name) < _LEAST:
            why = f"it takes {look.share(name):.1%} of the loop"
            look.left.append(NotProposed(f"every {name} ms=...", why))
            continue
        known = rhythm.get(name)
        now = known.interval_ns / 1e6 if known is not None and known.interval_ns else None
        interval = max(5 * round(now or 0.0), 250)
        why = "messages less often"
        why += f": every {interval} ms and not every {now:.0f} ms" if now else ""
        look.add([str(Change.of("every", name, ms=float(interval)))], [name], why, "low")


def _writes(look: _Look) -> None:
    """Writes of what has not changed."""
    names = _names(look, kind="actuator write")
    if not names:
        return
    share = sum(look.share(n) for n in names)
    if share < 0.03:
        why = f"all writes together take {share:.1%} of the loop"
        look.left.append(NotProposed("on-change ...", why))
        return
    why = "half of the writes are assumed to repeat the last value: count yours"
    look.add([_change("on-change", names, look, share=0.5)], names, why, "medium")


def _stalls(look: _Look) -> None:
    """Calls whose long turns cost much: a limit on how long they may block."""
    run, line = look.at.run, look.at.line
    duration = run.call_columns.duration_ns[line.row].astype(float)
    code = {call.name: i for i, call in enumerate(run.names)}
    pulses = {r.name for r in look.at.rhythms.calls if r.pulses}
    for name in _names(look, kind="sensor read") + _names(look, kind="actuator write"):
        mine = duration[line.name == code[name]]
        limit = 3 * float(np.quantile(mine, 0.9))
        excess = float(np.maximum(mine - limit, 0).sum()) / len(run)
        if name in pulses or excess < _LEAST * look.mean_ns:
            continue
        ms = float(f"{limit / 1e6:.2g}")
        why = f"its rare long turns cost {excess / look.mean_ns:.1%} of the loop; a reading is lost"
        look.add([str(Change.of("cap", name, ms=ms))], [name], why, "medium")


def _later(look: _Look) -> None:
    """The heading read just before its use."""
    name = look.heading_call
    if name is None or name not in look.cost:
        return
    writes = _names(look, kind="actuator write")
    if not writes:
        look.left.append(NotProposed(f"later {name}", "no actuator write is known in this log"))
        return
    target = min(writes, key=lambda n: _begins_ns(look, n))
    why = "the same calls in another order: a younger reading; nothing in between may need it"
    look.add([str(Change.of("later", name, before=target))], [name], why, "medium", name)


def _begins_ns(look: _Look, name: str) -> float:
    """How far into a loop a call usually begins [ns]."""
    run, line = look.at.run, look.at.line
    code = next(k for k, call in enumerate(run.names) if call.name == name)
    row = line.row[line.name == code]
    calls = run.call_columns
    return float(np.median(calls.start_ns[row] - run.loop_columns.start_ns[calls.loop[row]]))


assert set(EFFORT) == set(VERBS)
