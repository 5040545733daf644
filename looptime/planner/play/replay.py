"""A recorded run played again with changes: a `Run` that any analyser can be given.

The recorded loops are played in their recorded order, each call with its recorded duration
except where a change says otherwise; so autocorrelation, stalls and drift stay.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from functools import cached_property, partial

import numpy as np

from looptime.array_types import Int
from looptime.planner.changes import Change, parse_all
from looptime.planner.known.bus_model import BusParameters
from looptime.planner.known.timeline import BETWEEN, Arranged, arrange
from looptime.planner.play.draft import Draft, KnownRun, Setting, known, shortened
from looptime.planner.play.paced import keep_pace
from looptime.planner.play.placing import Placed, place
from looptime.planner.play.recorded import with_slots
from looptime.planner.play.remedies import apply
from looptime.planner.play.rewrite import rewritten
from looptime.planner.play.threads import Traffic, contended, walk
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Plays", "Replay", "play", "replay", "turns_come_out", "turns_off"]

#: Loops that show whether turns come out as recorded, and how near the mean must then lie.
_ENOUGH, _NEAR = 500, 0.06


@dataclass(frozen=True)
class Replay:
    """A predicted run and what was learned on the way."""

    write: Callable[[], Run]  #: Makes the predicted `run`, when it is asked for
    period_ns: Int  #: Its periods, shape (n,)
    #: Waits and utilisation of each bus, where a simulation was needed.
    traffic: Traffic | None = None
    warnings: tuple[str, ...] = ()
    #: Things not known that the answer depends on: `batch`, `spread`, `lock`.
    ranges: frozenset[str] = frozenset()
    #: Fields of the `Setting` that were asked for: with any others, the same comes out.
    asked: frozenset[str] = frozenset()
    tick_ns: float = 0.0  #: Fixed rate that its loop keeps; 0 for none

    @classmethod
    def recorded(cls, run: Run) -> Replay:
        """A run as it is."""
        return cls(lambda: run, run.loop_columns.period_ns)

    @cached_property
    def run(self) -> Run:
        """The prediction."""
        return self.write()

    @property
    def mean_ns(self) -> float:
        """Mean period [ns]."""
        return float(self.period_ns.mean())


def replay(
    run: Run,
    changes: Iterable[str | Change] = (),
    *,
    buses: Mapping[str, BusParameters] | None = None,
    recurs: Mapping[str, str] | None = None,
    setting: Setting | None = None,
) -> Run:
    """Play a run again with changes.

    Parameters
    ----------
    run : Run
        The recording.
    changes : iterable of str or Change
        In the order in which they are made.
    buses : dict, optional
        ``Project.buses``.
    recurs : dict of str to str, optional
        ``loop`` or ``time`` by call name, where the log misleads.
    setting : Setting, optional
        Where between its ends each unknown is set.

    Returns
    -------
    Run
        The predicted run; with no changes, the recorded one to the nanosecond.

    Raises
    ------
    UsageError
        If a change cannot be made to this run.
    """
    wanted = parse_all(changes)
    return run if not wanted else play(known(run, buses, recurs), wanted, setting).run


def play(at: KnownRun, changes: Iterable[Change], setting: Setting | None = None) -> Replay:
    """Play a prepared run again with changes; see `replay`."""
    changes = tuple(changes)
    if not changes:
        return Replay.recorded(at.run)
    return _played(*_drafted(at, changes, setting or Setting()))


def turns_come_out(at: KnownRun) -> bool:
    """Whether threads of the log that take turns, played with no change, come out as recorded.

    Where they do not, what their calls take without their waits is not known well enough.
    """
    return abs(turns_off(at)) <= _NEAR


def turns_off(at: KnownRun) -> float:
    """By which share loops come out longer than recorded, played with turns and no change."""
    if all(one.computes is None for one in at.sharing):
        return 0.0
    few = shortened(at, _ENOUGH)
    made = _played(*_drafted(few, (), Setting()))
    return made.mean_ns / float(few.run.loop_columns.period_ns.mean()) - 1


def _drafted(at: KnownRun, changes: tuple[Change, ...], setting: Setting) -> tuple[Draft, Arranged]:
    """What the changes make of a run before anybody waits for anything."""
    at = with_slots(at, changes)
    draft = Draft.of(at, setting)
    keep_pace(draft)
    if draft.unknown("costs") != 1.0:
        draft.length[draft.line.owner != BETWEEN] *= setting.costs
    for number, change in enumerate(changes):
        apply(draft, change, number)
    return draft, _arranged(draft, place(draft))


def _played(draft: Draft, arranged: Arranged) -> Replay:
    traffic: Traffic | None = None
    if contended(draft):
        arranged, traffic = _simulated(draft, arranged)
    if "late" in draft.ranges and (traffic is None or not traffic.late):
        draft.ranges.discard("late")
    if draft.pace is not None and traffic is not None and traffic.late:
        draft.ranges.add("pace")
    return Replay(
        partial(rewritten, draft, arranged, traffic), arranged.period_ns, traffic,
        tuple(draft.warnings), frozenset(draft.ranges), frozenset(draft.asked),
        0.0 if draft.pace is None else draft.pace.interval_ns,
    )  # fmt: skip


class Plays:
    """Plays of one plan, made only where a setting differs in what the plan depends on."""

    def __init__(self, at: KnownRun, changes: Iterable[Change]) -> None:
        self._at, self._changes = at, tuple(changes)
        self._made: list[tuple[Setting, Replay]] = []
        self._begun: list[tuple[Draft, Arranged]] = []

    def at(self, setting: Setting) -> Replay:
        """The plan as it comes out at a setting."""
        for other, made in self._made:
            if _alike(other, setting, made.asked):
                return made
        self._made.append((setting, self._played(setting)))
        return self._made[-1][1]

    def _played(self, setting: Setting) -> Replay:
        if not self._changes:
            return Replay.recorded(self._at.run)
        for draft, arranged in self._begun:
            if _alike(draft.setting, setting, draft.asked):
                return _played(draft.at(setting), arranged)
        draft, arranged = _drafted(self._at, self._changes, setting)
        self._begun.append((draft.at(setting), arranged))
        return _played(draft, arranged)


def _alike(one: Setting, other: Setting, asked: Collection[str]) -> bool:
    return all(getattr(one, what) == getattr(other, what) for what in asked)


def _arranged(draft: Draft, placed: Placed) -> Arranged:
    return arrange(draft.line, placed.length, placed.keep, placed.copies, placed.absent)


def _simulated(draft: Draft, arranged: Arranged) -> tuple[Arranged, Traffic]:
    """Add the waits for buses, devices and the pace.

    Waits stretch the loop, and so move what goes by the clock: it is placed again.
    """
    whole, traffic = walk(draft, arranged)
    by_clock = draft.timed or draft.pulses or len(draft.known.rhythms.pauses)
    for _ in range((2 if draft.pace is not None else 1) if by_clock else 0):
        if traffic.given_up or np.array_equal(whole, arranged.whole):
            break
        added = (whole - arranged.whole).astype(float)
        if arranged.copied is not None:
            added = added[arranged.original]
        arranged = _arranged(draft, place(draft, added))
        whole, traffic = walk(draft, arranged)
    return replace(arranged, whole=whole), traffic
