"""What a season comes to, in a sentence: which version moved the loop, which run is odd."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from looptime.checks.season.level_changes import SEGMENT
from looptime.checks.season.odd import Moved, dearest
from looptime.views.text.change_text import TITLES, signed
from looptime.views.text.terminal import count, number, safe
from looptime.words import in_words, named

if TYPE_CHECKING:
    from looptime.checks.recording.facts import Facts
    from looptime.checks.recording.figures import RunValues
    from looptime.checks.season.odd import Odd
    from looptime.checks.season.season import Listed
    from looptime.checks.season.trends import LevelChange, Trend, Trends

__all__ = [
    "entry_answer",
    "list_answer",
    "matters",
    "robots_clause",
    "step_in_words",
    "trends_answer",
]

#: Figures of the whole loop that a sentence may be about, the first that moved.
_TOLD = ("mean", "p99", "worst1", "median")
#: Share of the loop below which a change of a call, or of the loop, is no headline.
_MATTERS = 0.005
#: Said of runs that nothing else puts in order.
_BY_NAME = "; in the order of the logs' names, as not all have a time"


def robots_clause(robots: Mapping[str, int]) -> str:
    """Says that runs are of several robots, or that some name none; empty where all are of one.

    Examples
    --------
    >>> robots_clause({"tray-carrier": 5, "": 1})
    '; mixed: 5 of tray-carrier, 1 of robots not named, kept apart in trends and gate'
    >>> robots_clause({"tray-carrier": 6})
    ''
    """
    if len(robots) < 2:
        return ""
    each = [
        f"{runs:,} of {safe(robot, 30)}" if robot else f"{runs:,} of robots not named"
        for robot, runs in sorted(robots.items(), key=lambda row: (not row[0], -row[1]))
    ]
    return f"; mixed: {', '.join(each[:5])}, kept apart in trends and gate"


def list_answer(entries: Sequence[Listed]) -> str:
    """How many runs there are, and what their means and p99 come to."""
    from looptime.checks.season.trends import listed_trends

    robots = {e.facts.robot for e in entries}
    whose = f" of {safe(next(iter(robots)), 30)}" if len(robots) == 1 and None not in robots else ""
    marked = sum(e.baseline for e in entries)
    base = f", {marked:,} in the baseline" if marked else ""
    return f"{count(len(entries), 'run')}{whose}{base}: {_answer(listed_trends(entries))}."


def trends_answer(found: Sequence[Trends]) -> str:
    """What moved over the runs of each robot, and which run is odd."""
    text = _answer(found)
    return f"{text[:1].upper()}{text[1:]}."


def _answer(found: Sequence[Trends]) -> str:
    if len(found) == 1:
        return _one(found[0])[1]
    told = sorted(((*_one(at), at) for at in found), key=lambda row: row[0])
    parts = [f"{safe(at.robot or 'robot not named', 30)}: {text}" for _, text, at in told[:2]]
    rest = f"; {len(told) - 2} more robots below" if told[2:] else ""
    return "; ".join(parts) + rest


def _one(at: Trends) -> tuple[int, str]:
    """A robot's sentence, and its rank: what moved stands before what did not."""
    loop = {t.statistic: t for t in at.trends if not t.call}
    mean = loop.get("mean")
    ordered = [*(loop[name] for name in _TOLD if name in loop), *at.trends]
    big = [t for t in ordered if matters(at, t)]
    moved = next((t for t in big if t.steps and not t.call), None)
    crept = next((t for t in big if t.crept), None)
    odd = _odd(at)
    rank, order = 0, "" if at.ordered else _BY_NAME
    if all(t.per_run_percent.value is None for t in at.trends):
        few = f"{count(len(at.entries), 'run')} of 6 that a trend needs"
        return 3, f"can't tell whether the loop changed: {few}"
    if mean is not None and mean.crept:
        text = _still(at, mean)
    elif moved is not None:
        text = _stepped(at, moved)
        order = "" if _beside(at, _largest(moved)) else order
    elif any(t.call and t.steps for t in big):
        text = _one_call(at)
    elif crept is not None:
        still = _still(at, mean).replace("no change seen", "no change of the mean seen")
        text = f"{still}; but {_crept(at, crept)}"
    else:
        rank, order = 1 if odd else 2, ""
        text = _still(at, mean)
    return rank, text + odd + order


def _stepped(at: Trends, moved: Trend) -> str:
    step = _largest(moved)
    what = "" if moved.statistic == "mean" else f" {TITLES.get(moved.statistic, moved.statistic)}"
    change = step.after - step.before
    by, loop = f"{number(abs(change), 2)} ms", f"the loop's {at.quantity}{what}"
    if (slow_fast := _beside(at, step)) is not None:
        more = 100 * abs(change) / min(step.after, step.before)
        text = "{} is {} longer with version {} than with {}".format(loop, by, *slow_fast)
        text += f" ({signed(more)} %; which came first is not known: not all logs have a time)"
    else:
        text = f"{_when(at, step)} {loop} became {by} {'longer' if change > 0 else 'shorter'}"
        text += f" ({signed(step.percent.value)} %)"
    calls = _carriers(at, step, change) if moved.statistic == "mean" else []
    text += f", in {named(calls)}" if calls else ""
    others = len(moved.steps) - 1
    return text + (f" ({count(others, 'smaller change')} besides)" if others else "")


def _largest(moved: Trend) -> LevelChange:
    return max(moved.steps, key=lambda s: abs(s.after - s.before))


def _beside(at: Trends, step: LevelChange) -> tuple[str, str] | None:
    """The slower and the faster version of a change where nobody knows which came first."""
    both = step.before_version, step.after_version
    if at.ordered or not step.with_version or None in both:
        return None
    names = [safe(str(version), 20) for version in both]
    slow, fast = names if step.before > step.after else reversed(names)
    return slow, fast


def _carriers(at: Trends, step: LevelChange, change: float) -> list[str]:
    """The dearest calls that moved at the same place, if they carry half of the change."""
    same = [
        Moved(t.call, s.after - s.before)
        for t in at.trends
        for s in t.steps
        if t.call and (s.after_entry == step.after_entry or s.before_entry == step.before_entry)
    ]
    return _names(dearest(same, change))


def _crept(at: Trends, trend: Trend) -> str:
    figure = TITLES.get(trend.statistic, trend.statistic)
    what = safe(trend.call, 40) if trend.call else f"the {figure}"
    return (
        f"{what} crept by {signed(trend.per_run_percent.value)} % a run"
        f" ({signed(_whole(at, trend.per_run_percent.low))} to"
        f" {signed(_whole(at, trend.per_run_percent.high))} % in all)"
    )


def _creepers(at: Trends, mean: Trend) -> list[str]:
    """The calls that crept with the loop, if they carry half of it."""
    crept = [Moved(t.call, _ms_per_run(t)) for t in at.trends if t.call and t.crept]
    return _names(dearest(crept, _ms_per_run(mean)))


def _ms_per_run(t: Trend) -> float:
    return (t.per_run_percent.value or 0.0) / 100 * math.fsum(t.values) / len(t.values)


def _names(calls: Sequence[Moved]) -> list[str]:
    return [safe(moved.call, 40) for moved in calls]


def _loop_ms(at: Trends) -> float:
    mean = next((t.values for t in at.trends if t.statistic == "mean" and not t.call), (0.0,))
    return math.fsum(mean) / len(mean)


def matters(at: Trends, trend: Trend) -> bool:
    """Whether what the loop or a call moved by is large enough to be told."""
    moved = [s.after - s.before for s in trend.steps]
    if trend.crept:
        moved.append(_ms_per_run(trend) * (len(at.entries) - 1))
    loop = math.fsum(trend.values) / len(trend.values) if trend.unit != "ms" else _loop_ms(at)
    return any(abs(ms) >= _MATTERS * loop for ms in moved)


def _one_call(at: Trends) -> str:
    found = [(s.after - s.before, t.call, s) for t in at.trends if t.call for s in t.steps]
    change, name, step = max(found, key=lambda row: abs(row[0]))
    return (
        f"no change of the whole loop seen, but {_when(at, step)} {safe(name, 40)} became"
        f" {_by(change)} a loop ({step_in_words(step)})"
    )


def _still(at: Trends, mean: Trend | None) -> str:
    """A creeping change, or none with the range in which one may hide."""
    runs = count(len(at.entries), "run")
    slope = None if mean is None else mean.per_run_percent
    if mean is None or slope is None or None in (slope.value, slope.low, slope.high):
        return f"no change of level seen over {runs}"
    over = [_whole(at, per_run) for per_run in (slope.low, slope.high)]
    if mean.crept:
        return (
            f"the loop's {at.quantity} crept by {signed(slope.value)} % a run over {runs}"
            f" ({signed(over[0])} to {signed(over[1])} % in all)"
            + (f", in {named(calls)}" if (calls := _creepers(at, mean)) else "")
        )
    return (
        f"no change seen over {runs}: from first to last the mean moved by"
        f" {signed(over[0])} to {signed(over[1])} %{_would_be_seen(at, mean)}"
    )


def _would_be_seen(at: Trends, mean: Trend) -> str:
    """The least change of level that would have shown, and the newest runs that cannot show one."""
    seen = mean.seen_step_percent
    least = "" if seen is None else (
        f"; a change of level of {in_words(seen)} % that lasts {SEGMENT} runs would have been seen"
    )  # fmt: skip
    versions = [e.facts.version for e in at.entries]
    newest = len(versions) - max(
        (k + 1 for k, one in enumerate(versions) if one != versions[-1]), default=0
    )
    if versions[-1] and newest < min(SEGMENT, len(versions)):
        least += (
            f", not one of the {count(newest, 'run')} of version {safe(versions[-1], 20)} alone:"
            " looptime gate LOG judges these against the baseline"
        )
    return least


def _whole(at: Trends, per_run_percent: float | None) -> float:
    return 100 * ((1 + (per_run_percent or 0.0) / 100) ** (len(at.entries) - 1) - 1)


def _when(at: Trends, step: LevelChange) -> str:
    if step.with_version and step.after_version:
        return f"with version {safe(step.after_version, 20)}"
    facts = next(e.facts for e in at.entries if e.name == step.after_entry)
    same = f", version {safe(facts.version, 20)} as before," if facts.version else ""
    return f"from {safe(facts.name, 40)} on{same}"


def step_in_words(step: LevelChange) -> str:
    """A change of level in percent; of a call that came, in ms."""
    if step.percent.value is None:
        return f"new, {number(step.after)} ms a loop"
    gone = step.after <= 1e-6 * step.before
    return f"gone, {number(step.before)} ms a loop" if gone else f"{signed(step.percent.value)} %"


def _by(ms: float) -> str:
    return f"{number(abs(ms), 2)} ms {'slower' if ms > 0 else 'faster'}"


def _odd(at: Trends) -> str:
    """Names the runs that are odd in a figure of the whole loop, or in a call that matters."""
    told = [text for text in (_odd_run(at, o) for o in at.odd) if text]
    if not told:
        return ""
    return f"; {named(told, 2)} {'is the odd one' if len(told) == 1 else 'are odd'}"


def _odd_run(at: Trends, odd: Odd) -> str:
    figures = {f"{t.call} {t.statistic}".strip(): t for t in at.trends}
    place = [e.name for e in at.entries].index(odd.entry)
    first = figures[odd.figures[0]]
    others = [v for k, v in enumerate(first.values) if k != place]
    off = abs(first.values[place] - math.fsum(others) / len(others))
    if first.call and off < _MATTERS * _loop_ms(at):
        return ""
    title = safe(first.call, 40) if first.call else first.statistic
    of = " of the loop, in a call that not all runs make" if odd.of_loop else ""
    text = f"{safe(odd.run, 40)} ({title} {signed(odd.percent)} %{of}"
    return text + (f", in {named(_names(odd.calls))})" if odd.calls and not first.call else ")")


def entry_answer(facts: Facts, values: RunValues) -> str:
    """A stored run's mean and p99, and of how many loops."""
    whose = f" of {safe(facts.robot, 30)}" if facts.robot else ""
    version = f", version {safe(facts.version, 20)}" if facts.version else ""
    mean, p99 = (values.get(name, facts.judged) for name in _TOLD[:2])
    figures = ", ".join(
        f"{name} {number(v.value)} ms" for name, v in (("mean", mean), ("p99", p99)) if v
    )
    return (
        f"{safe(facts.name, 60)}{whose}{version}: {facts.judged} {figures or 'not known'} over"
        f" {count(facts.loops, 'loop')}."
    )
