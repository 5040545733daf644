"""What is worse in a run or a phase of a log than in the one that its summary tells of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from looptime.analysers.summary import Summary
from looptime.schema import UNATTRIBUTED
from looptime.stats.arrays import median
from looptime.views.text.terminal import safe
from looptime.views.text.told import why
from looptime.words import ms, percent

if TYPE_CHECKING:
    from rich.console import RenderableType

    from looptime.parsers.read import Log

__all__ = ["elsewhere"]

#: A run that takes so many times as long a loop as the one told of is told with it.
_SLOWER = 1.1
#: A part of so many loops is told of beside the one that leads, where a finding on its slow loops
#: weighs so many times as much as any there.
_TELLING, _WORSE = 30, 1.5
_OF_SLOW = frozenset(
    ("recurring_stall", "slow_culprit", "lone_stall", "change_point", "drift", "thread_wait",
     "pacing_skips", "pacing_catches_up")
)  # fmt: skip
#: Of these, what holds whatever call is behind it.
_OF_PACE = ("pacing_skips", "pacing_catches_up")
#: Share of a difference from which on a call makes up most of it.
_MOST = 0.5


def elsewhere(log: Log, by_run: dict[int, list[Summary]], lead: int) -> tuple[RenderableType, ...]:
    """What is worse in a phase or a run that is not told of: the call that makes it slow there.

    Parameters
    ----------
    log : looptime.Log
        What was read.
    by_run : dict of int to list of Summary
        Summaries of the phases of each run, by its place in the log.
    lead : int
        Place of the run that is told of.
    """
    parts = [(f"phase {at.phase or '(none)'}", at) for at in by_run[lead][1:]]
    parts += [(log.runs[place].meta.get("group", f"run {place + 1}"), mine[0])
              for place, mine in by_run.items() if place != lead]  # fmt: skip
    here = by_run[lead][0]
    told = max((f.worth for f in here.findings if f.severity in ("act", "look")), default=0.0)
    worse = [
        (f.worth, name, f.text)
        for name, at in parts if at.pace.loops >= _TELLING and _tail(at) > _SLOWER * _tail(here)
        for f in at.findings
        if f.code in _OF_SLOW and (f.evidence.calls or f.code in _OF_PACE)
        and f.worth > _WORSE * told
    ]  # fmt: skip
    if not worse:
        return _slower_run(log, by_run, lead)
    _, name, text = max(worse)
    return why(f"{safe(name, 40)}: {text}")


def _slower_run(
    log: Log, by_run: dict[int, list[Summary]], lead: int
) -> tuple[RenderableType, ...]:
    """Of runs of one sender, the one whose loops take most beyond those told of, and why.

    Where there is none, the first whose loops take clearly less.
    """
    here = by_run[lead][0]
    if here.pace.loops < _TELLING:
        return ()
    ratio = {
        place: _judged(mine[0]) / max(_judged(here), 1e-9)
        for place, mine in by_run.items()
        if mine[0].pace.loops >= _TELLING and _alike(here, mine[0])
        and log.runs[place].meta.get("group") == log.runs[lead].meta.get("group")
    }  # fmt: skip
    slow = [place for place in ratio if ratio[place] > _SLOWER]
    fast = [place for place in ratio if 0 < ratio[place] < 1 / _SLOWER]
    if not slow and not fast:
        return ()
    one = max(slow, key=lambda k: (round(ratio[k], 2), -k)) if slow else min(fast)
    at = by_run[one][0]
    what = "the loop's work" if at.basis.judged == "work" else "a loop"
    others = f" (and {len(slow or fast) - 1} more)" if len(slow or fast) > 1 else ""
    text = f"run {one + 1}{others}: {what} takes {ms(_judged(at))} as a rule"
    if slow:
        more = f"{percent(ratio[one] - 1)} more than in run {lead + 1}{_most_of(here, at)}"
        return why(f"{text}, {more}.")
    more = f"{percent(1 / ratio[one] - 1)} more{_most_of(at, here)}"
    return why(f"{text}; in run {lead + 1} {more}.")


def _alike(here: Summary, there: Summary) -> bool:
    """Whether both are of one phase and judged alike."""
    return (here.phase, here.basis.judged) == (there.phase, there.basis.judged)


def _judged(at: Summary) -> float:
    return median(at.basis.judged_ms) if at.pace.loops else 0.0


def _most_of(here: Summary, there: Summary) -> str:
    """The call that takes more there than here, if it makes up most of the difference."""
    before = {c.name: c.self_ms_per_loop for c in here.costs.rows if c.share is not None}
    more = {
        c.name: c.self_ms_per_loop - before.get(c.name, 0.0)
        for c in there.costs.rows if c.share is not None
    }  # fmt: skip
    name = max(more, key=lambda name: more[name], default="")
    if not there.costs.calls or not more or more[name] < _MOST * sum(more.values()):
        return ""
    who = "time in no call" if name == UNATTRIBUTED else safe(name, 40)
    return f", most of it in {who} (+{ms(more[name])})"


def _tail(at: Summary) -> float:
    return at.pace.period_ms.p99.value or 0.0
