"""What the search for remedies sees of a log, and what a remedy is."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import field
from fnmatch import fnmatchcase
from functools import cached_property

import numpy as np

from looptime.analysers.alike import in_short
from looptime.analysers.contention import SHARED
from looptime.call_words import words_of
from looptime.errors import ProjectError
from looptime.heading.instants import heading_read_guess
from looptime.planner.changes import VERBS, Change, parse
from looptime.planner.play.draft import KnownRun, shortened
from looptime.records import dataclass
from looptime.signal_names import HEADING_WORDS

__all__ = ["EFFORT", "KIND_UNKNOWN", "LEAST", "Candidate", "Look", "NotProposed", "bus_in_words",
           "change_of", "doing", "efforts", "look_at", "of_unknown_kind",
           "pattern_for", "reach"]  # fmt: skip

#: Effort of each kind of change: 1 a line or two, 3 an afternoon, 5 days.
EFFORT: dict[str, float] = {
    "every": 1, "later": 1, "drop": 1, "pace": 1, "rest": 1, "on-change": 2, "cap": 2, "scale": 3,
    "batch": 3, "unthread": 3, "move": 4, "thread": 5,
}  # fmt: skip
#: Of the mean loop: a saving below this is not worth a proposal.
LEAST = 0.005
#: Why nothing is tried for a call, and of which share of the loop on that is said.
KIND_UNKNOWN = "no name says what is done there: say kind under [[call]] in looptime.toml"
_DEAR = 0.1
_FEW = 500  # loops that show whether a thread pays
#: Words in the name of a reading by which wheels are steered or the heading is held.
_STEERS = frozenset(
    (
        "steer", "steering", "angle", "azimuth", "heading", "yaw", "gyro", "imu", "compass",
        "encoder", "encoders", "wheel", "turn", "turning", "module", "pose", "odometry", "position",
    )
)  # fmt: skip


@dataclass(frozen=True)
class Candidate:
    """A remedy that makes sense."""

    changes: tuple[str, ...]
    calls: frozenset[str]  #: Calls that it is about; two remedies of one call do not go together
    why: str
    risk: str  #: ``low``, ``medium`` or ``high``
    effort: float
    age_of: str | None = None  #: Call whose reading age is what changes
    say: str = ""  #: What to do, in a sentence
    check: str = ""  #: What to make sure of before doing it
    #: The same changes with what is assumed in them at its ends.
    ends: tuple[tuple[str, ...], ...] = ()

    def to_dict(self) -> dict[str, object]:
        """As JSON holds it."""
        return {
            "changes": list(self.changes), "say": self.say, "why": self.why, "check": self.check,
            "risk": self.risk, "effort": self.effort,
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
class Look:
    """What the search sees of a log."""

    at: KnownRun
    effort: dict[str, float]
    heading_call: str | None  #: The call that reads the heading, where it is stated
    #: Mean time a loop [ns] and calls a loop, of the loop's innermost calls.
    cost: dict[str, float] = field(default_factory=dict)
    per_loop: dict[str, float] = field(default_factory=dict)
    mean_ns: float = 0.0  #: Mean period
    #: What was found so far.
    made: list[Candidate] = field(default_factory=list)
    left: list[NotProposed] = field(default_factory=list)

    @cached_property
    def few(self) -> KnownRun:
        """A part of the log that shows whether a thread pays."""
        stated = {r.name: r.recurs for r in self.at.rhythms.calls if r.recurs in ("loop", "time")}
        return shortened(self.at, _FEW, stated)

    def add(
        self, changes: list[str], calls: list[str], why: str, risk: str, *, say: str, check: str,
        age_of: str | None = None, ends: tuple[tuple[str, ...], ...] = (),
    ) -> None:  # fmt: skip
        """Add a candidate; its effort is that of its changes."""
        effort = sum(self.effort[parse(text).verb] for text in changes)
        self.made.append(
            Candidate(tuple(changes), frozenset(calls), why, risk, effort, age_of, say, check, ends)
        )

    def leave(self, text: str, why: str) -> None:
        """Say of a remedy why it is not proposed."""
        self.left.append(NotProposed(text, why))

    def share(self, name: str) -> float:
        """Cost of a call over the mean loop."""
        return self.cost.get(name, 0.0) / self.mean_ns if self.mean_ns else 0.0

    def names(self, kind: str) -> list[str]:
        """Calls of a kind on the loop's thread, in the order of the log."""
        known = {call.name: call for call in self.at.run.names}
        return [n for n in self.cost if known[n].kind == kind]

    def steers(self, names: list[str]) -> str:
        """Why what some reads fetch must be young; empty if nothing says so."""
        if self.heading_call in names:
            return "it reads the heading, which must be young"
        if self.heading_call is None and heading_read_guess(self.at.run) in names:
            return "by its name it reads the heading, which must be young; read_call names another"
        moved = {c.subsystem for c in self.at.run.names if c.kind == "actuator write"} - {None}
        shared = {c.subsystem for c in self.at.run.names if c.name in names} & moved
        if shared:
            return f"{', '.join(sorted(s for s in shared if s))} may be steered by it"
        words = _STEERS - set(HEADING_WORDS) if self.heading_call is not None else _STEERS
        for name in names:
            if words & words_of(name):
                return "by its name wheels are steered or placed by it: it must be young"
        return ""


def look_at(
    at: KnownRun, effort: Mapping[str, float] | None = None, heading_call: str | None = None
) -> Look:
    """What the search sees of a log; arguments as for `candidates`."""
    look = Look(at, dict(effort or EFFORT), heading_call)
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
    return look


def of_unknown_kind(look: Look) -> None:
    """Dear calls for which nothing is tried, as nobody knows what they do."""
    offered = frozenset[str]().union(*(one.calls for one in look.made))
    for name in sorted(look.names("other"), key=look.share, reverse=True):
        if look.share(name) >= _DEAR and name not in offered:
            look.leave(name, KIND_UNKNOWN)


def doing(verb: str, names: list[str]) -> str:
    """What is to be done with calls, by a verb that their names do not begin with themselves.

    Examples
    --------
    >>> doing("Read", ["imu.read"]), doing("Read", ["read"]), doing("Write", ["write_motors"])
    ('Read imu.read', 'Call read', 'Call write_motors')
    """
    begins = re.match("[A-Z]?[a-z]+", names[0])
    return f"{'Call' if begins and begins[0].lower() == verb.lower() else verb} {in_short(names)}"


def bus_in_words(bus: str) -> str:
    """A bus by its name, or by what it is shared with where nobody named it.

    Examples
    --------
    >>> bus_in_words("aux"), bus_in_words(f"{SHARED}cam.read")
    ("bus 'aux'", 'the bus shared with cam.read')
    """
    return f"the bus {bus}" if bus.startswith(SHARED) else f"bus {bus!r}"


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


def change_of(verb: str, names: list[str], look: Look, **options: object) -> str:
    """The change of these calls, by the shortest patterns that mean no others."""
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


assert set(EFFORT) == set(VERBS)


def reach(
    now: tuple[float, float, float], shifts: Sequence[Sequence[float]]
) -> tuple[float, float, float]:
    """The same middle, with ends that hold what each assumption shifts it by, in squares.

    Things that are not known by themselves seldom all lie at the same end.

    Examples
    --------
    >>> reach((5.0, 2.0, 9.0), [[-4.0, 0.5], [3.0], []])[:2]
    (5.0, 0.0)
    """
    middle, low, high = now
    less = (max(0.0, -min(ends, default=0.0)) for ends in shifts)
    more = (max(0.0, max(ends, default=0.0)) for ends in shifts)
    return (
        middle, middle - math.hypot(middle - low, *less), middle + math.hypot(high - middle, *more)
    )  # fmt: skip
