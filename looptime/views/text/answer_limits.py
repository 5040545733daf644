"""What limits a summary's answer: rows and loops that are not in it, and of which loop it tells."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from looptime.analysers.summary import Summary
from looptime.findings.log_rules import few_left
from looptime.views.text.terminal import in_full, number, safe
from looptime.views.text.text_parts import percent, tick_text

if TYPE_CHECKING:
    from looptime.parsers.read import Log

__all__ = ["doubts", "missing", "set_aside"]

#: Share of rows from which on those set aside are said first; ticks in a loop below which the
#: clock is said to be coarse.
_MANY_ASIDE, _COARSE = 0.05, 50
#: Why rows are set aside that belong to another loop or thread.
_OF_OTHERS = "other thread"
#: Share of the loops from which on those missing from the log are said first.
_MANY_MISSING = 0.01
#: A sender that takes so many times as long a loop as the one told of is named with it.
_SLOWER = 1.1
#: Calls that make a loop of another thread, of each of which the calls in it leave so little; and
#: how many of its calls are named, as a share of those of the loop's thread.
_LOOPS, _HOLDS, _MANY = 50, 0.3, 0.7
#: Findings that tell what was left out at the start.
_STARTS = ("warm_up", "faster_start")
#: A phase of fewer loops is told of by no middle one.
_FEW = 20
#: Share of a loop from which on a call takes most of it.
_MOST = 0.5


def set_aside(log: Log) -> str:
    """What is said before anything else: that many rows could not be used."""
    reasons = dict(log.rows_by_reason)
    read = log.rows_read - reasons.pop(_OF_OTHERS, 0)  # not lost: told of in `doubts`
    aside = read - log.rows_used
    if aside <= _MANY_ASIDE * read:
        return ""
    reason = max(reasons.items(), key=lambda item: item[1], default=("", 0))[0]
    share = percent(aside / read)
    lost = f"{share} of the rows were set aside, most as {reason} (--set-aside FILE lists them). "
    few = few_left(dict(log.rows_by_reason), log.rows_used)
    return f"{lost}Can't tell how the loop runs; of the rows that are left: " if few else lost


def missing(log: Log, at: Summary) -> str:
    """The same of loops that the log lacks, whatever phase is told of."""
    missing = at.run.clock.missing
    count = 0 if missing is None else missing["count"]
    there = sum(len(run) for run in log.runs if run.clock.missing == missing)
    share = count / (count + there) if count else 0.0
    if missing is None or share < _MANY_MISSING:
        return ""
    column = safe(missing["column"], 40)
    return f"{percent(share)} of the loops are missing from the log by its '{column}' numbers. "


def doubts(
    log: Log, by_run: dict[int, list[Summary]], lead: int, phases_left: int = 0
) -> list[str]:
    """What limits the answer, to be said with it."""
    out, mine = [], by_run[lead]
    if len(by_run) > 1:
        out.append(_among(log, by_run, lead))
    if len(mine) > 1:
        out.append(_of_phases(mine, phases_left))
    others = log.rows_by_reason.get(_OF_OTHERS, 0) / max(log.rows_read, 1)
    if others > _MANY_ASIDE:
        out.append(f"one loop of several in this log: {percent(others)} of its rows are of others")
    out += _other_loop(mine[0])
    told = mine[0].pace.period_ms.p50.value is not None and not mine[0].run.summed  # elsewhere
    if mine[0].pacing.mode == "can't tell" and told:
        out.append(f"can't tell how it is paced: {in_full(mine[0].pacing.mode_from)}")
    cut, first = mine[0].warmup, mine[0].findings[0].code if mine[0].findings else ""
    if mine[0].loops > mine[0].pace.loops and cut.loops and first not in _STARTS:
        out.append(f"the first {number(cut.seconds)} s are {cut.what} and left out")
    out += [in_full(limit) for limit in mine[0].run.clock.limits]
    tick_ns, p50 = log.runs[0].clock.tick_ns, mine[0].pace.period_ms.p50.value
    if p50 and tick_ns / 1e6 > p50 / _COARSE:
        out.append(f"the clock ticks in {tick_text(tick_ns)}: nothing finer is known")
    return out


def _other_loop(at: Summary) -> list[str]:
    """Which thread is told of, where another one with about as many calls has a loop, too."""
    if len(at.run.thread_names) < 2:
        return []
    names = Counter(c.thread for c in at.costs.calls)
    here = at.run.thread_names[at.run.loop_thread]
    for c in at.costs.calls:
        mine = c.self_ms_per_loop / c.calls_per_loop if c.calls_per_loop else 0.0
        holds = c.count >= _LOOPS and mine < _HOLDS * (c.p50_ms or 0.0)
        if c.thread != here and holds and names[c.thread] >= _MANY * (names[here] + 1):
            return [f"the loop of thread {safe(here, 40)}; --loop-call {safe(c.name, 40)} tells of "
                    f"{safe(c.thread, 40)}'s"]  # fmt: skip
    return []


def _among(log: Log, by_run: dict[int, list[Summary]], lead: int) -> str:
    """Which of several runs is told of, and of several senders the slowest."""
    text = f"the longest of {len(log.runs):,} runs in this log"
    group = log.runs[lead].meta.get("group")
    if group is None:
        return f"run {lead + 1}, {text}"
    worst = max(by_run, key=lambda place: _usual(by_run[place][0]))
    name = log.runs[worst].meta.get("group", "")
    return f"{safe(group, 40)}, {text}" + _slowest(name, by_run[worst][0], by_run[lead][0])


def _of_phases(mine: list[Summary], left: int) -> str:
    """Which phase is told of, and the slowest of work, with what takes most of it."""
    worst = max((at for at in mine if at is mine[0] or at.pace.loops >= _FEW), key=_usual)
    name = f"phase {safe(mine[0].phase or '(none)')} alone, of {len(mine) + left:,}"
    if worst.pacing.fixed_rate:  # it waits, as it should where the robot is idle
        return name
    said = _slowest(worst.phase or "(none)", worst, mine[0])
    dearest = max(worst.costs.calls, key=lambda c: c.share or 0.0, default=None)
    if said and dearest is not None and (dearest.share or 0.0) >= _MOST:
        said += f", most of it {safe(dearest.name, 40)}"
    return name + said


def _usual(at: Summary) -> float:
    return at.pace.period_ms.p50.value or 0.0


def _slowest(name: str, worst: Summary, lead: Summary) -> str:
    """What takes longest, where that is longer than what is told of."""
    if _usual(worst) < _SLOWER * _usual(lead):
        return ""
    return f"; the slowest is {safe(name, 40)}: {number(_usual(worst))} ms"
