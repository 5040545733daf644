"""Before and after: did the loop get slower or faster, and may we say so?"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from looptime.checks.compare import one_a_side, several
from looptime.checks.compare.change import (
    Change,
    Tolerance,
    beyond,
    decide,
    limits_in_words,
    with_holm,
)
from looptime.checks.compare.comparison import Comparison, UsualScatter
from looptime.checks.compare.explain import explain, shift
from looptime.checks.compare.like_calls import LikeCalls, like_calls
from looptime.checks.compare.lone_stall import lone_stall
from looptime.checks.compare.paces import other_pace
from looptime.checks.compare.readings import unlike_readings
from looptime.checks.compare.replaced import replaced
from looptime.checks.compare.several import Scatter
from looptime.checks.compare.sides import (
    Item,
    Judged,
    Unlike,
    equalise,
    judged_quantity,
    once,
    opening_of,
    pieces_on_both,
    told_apart,
    unlike,
)
from looptime.checks.compare.starts import unlike_starts
from looptime.checks.compare.unlike_ticks import told_by_ticks
from looptime.checks.compare.whole_machine import alike
from looptime.checks.compare.wording import sentences, together, unjudged
from looptime.checks.recording.copies import without_copies
from looptime.checks.recording.figures import RunValues
from looptime.checks.recording.recording import Settings
from looptime.errors import NotEnoughError
from looptime.schema import UNATTRIBUTED
from looptime.stats.multiple import benjamini_hochberg
from looptime.words import listed, supposing

__all__ = ["Comparison", "UsualScatter", "compare"]

#: Runs of history below which they are not used.
LEAST_HISTORY = 5
#: Share of the level that the mean has; the figures of the tail share the rest.
MEAN_SHARE = 0.7
#: Logs so many times as long are not asked for: the scatter between runs comes first.
_MOST_LONGER = 20
_MOVED = ("slower", "faster")
_NOTHING = "No change seen, since {}: name those from after the change behind --against."


def compare(
    before: Sequence[Item],
    after: Sequence[Item],
    *,
    settings: Settings | None = None,
    history: Sequence[RunValues] = (),
    tolerance: Tolerance | None = None,
) -> Comparison:
    """Hold the runs of two sides against each other.

    One run a side: the delete-a-batch jackknife says whether these two recordings differ, and
    a second line holds the difference against the scatter between runs. Several: Student's t on
    one number a run. All runs are cut to the same window first.

    Parameters
    ----------
    before, after : sequence of Run, Recording or RunValues
        The runs of each side.
    settings : Settings, optional
        Budget and warm-up.
    history : sequence of RunValues
        Older runs of the unchanged set-up; with 5 or more their scatter serves too.
    tolerance : Tolerance, optional
        A change below either of its two measures does not matter.

    Raises
    ------
    UsageError
        If a side is empty or the sides hold unlike mixes of phases.
    LogError
        If a run has no loops left after the warm-up.
    """
    tolerance = Tolerance() if tolerance is None else tolerance
    settings = Settings() if settings is None else settings
    ready = [once(side, settings) for side in (before, after)]
    a, b = equalise([runs for runs, _ in ready], settings)
    found = [*ready[0][1], *ready[1][1], *pieces_on_both(*(runs for runs, _ in ready))]
    found += unlike(a, b) + unlike_starts(*(runs for runs, _ in ready))
    found += unlike_readings(*(runs for runs, _ in ready))
    window = min(run.facts.duration_s for run in (*a, *b))
    quantity = judged_quantity([*a, *b])
    pace = other_pace(a, b, quantity)
    found += pace
    past = _past(history, [*a, *b])
    order = several.recording_order(a, b)
    at = Scatter(tuple(a), tuple(b), past, order, window)
    single = len(a) == len(b) == 1
    same = _same(a, b, found)
    found += _order_warnings(at, single) + _coarse(at, quantity)
    changes, calls = _judge(at, quantity, single, same, tolerance)
    hidden = next((run.facts.hides for run in (*a, *b) if run.facts.hides), "")
    # a recording against itself holds the same work, whatever it was; loops and calls that never
    # vary are no sign of that, since two recordings may well agree in them
    if same and all(_varies(run) for run in (*a, *b)):
        hidden = ""
    if hidden:
        paced = any(run.facts.paced for run in (*a, *b))
        changes = [_unknown(c, hidden) if paced or c.verdict not in _MOVED else c for c in changes]
        # the wait is in it, so that a slower pace alone makes it longer
        calls = [_unknown(c, hidden) if c.call == UNATTRIBUTED else c for c in calls]
    scatter = _usual_scatter(at, quantity, single, changes)
    word, verdict = _verdict(changes, single, scatter, tolerance)
    made = Comparison(
        before=tuple(run.facts for run in a),
        after=tuple(run.facts for run in b),
        quantity=quantity,
        window_s=window,
        unlike=tuple(found),
        order=order,
        recordings=word,
        usual_scatter=scatter,
        changes=tuple(changes),
        calls=tuple(calls),
        ranking=_ranked(calls),
        explained=explain(a, b, quantity),
        shift=shift(at, quantity),
        replaced=replaced(a, b),
        alike=alike(a, b, quantity),
        verdict=verdict,
        sentences=(),
        history=len(past),
        stall=lone_stall(a, b, quantity),
    )
    if not any(c.note == hidden for c in changes):
        hidden = ""
    lead = [_NOTHING.format(u.text) for u in found if same and u.what == "same"]
    lead += [f"{one.text[0].upper()}{one.text[1:]}." for one in pace]
    first, *more = [*lead, *sentences(made, hidden, tolerance)]
    more[len(lead) : len(lead)] = together(made)  # behind the answer
    rests_on = [facts.supposed for facts in (*made.before, *made.after)]
    return replace(made, sentences=(supposing(first, rests_on), *more))


def _past(history: Sequence[RunValues], sides: Sequence[Judged]) -> tuple[RunValues, ...]:
    """Runs of the history, each once, and none that is judged itself."""
    own = {opening_of(run.values) for run in sides}
    other = [run for run in history if opening_of(run) not in own]
    kept, _ = without_copies(other, told_apart)
    return tuple(kept) if len(kept) >= LEAST_HISTORY else ()


def _varies(run: Judged) -> bool:
    if run.series is None:
        return False
    every = [run.series.period_ns, *(part.self_ns for part in run.series.parts)]
    return any(len(x) and int(x.min()) < int(x.max()) for x in every)


def _same(a: Sequence[Judged], b: Sequence[Judged], found: list[Unlike]) -> bool:
    """Whether both sides hold the same recordings; says where one stands on both."""
    prints = [{opening_of(run.values): run.facts.name for run in side} for side in (a, b)]
    if set(prints[0]) == set(prints[1]):
        what = "recording" if len(a) == 1 else "recordings"
        found.append(Unlike("same", f"both sides hold the same {what}"))
        return True
    again = sorted(name for p, name in prints[0].items() if p in prints[1])
    if again:
        found.append(Unlike("same", f"a recording stands on both sides: {', '.join(again)};"
                            " it hides a change, so leave it out"))  # fmt: skip
    return False


def _coarse(at: Scatter, quantity: str) -> list[Unlike]:
    """A caution where a clock ticks in more than a five-hundredth of a loop."""
    runs = [*at.before, *at.after]
    tick = max(run.facts.tick_ns for run in runs) / 1e6
    means = [v.value for run in runs if (v := run.values.get("mean", quantity)) is not None]
    if not means or tick * 500 <= min(means):
        return []
    return [Unlike("tick", f"a clock ticks in {tick:g} ms: what is finer than that is not shown by"
                   " single quantiles; verdicts allow for it")]  # fmt: skip


def _judge(
    at: Scatter, quantity: str, single: bool, same: bool, tolerance: Tolerance
) -> tuple[list[Change], list[Change]]:
    """All changes with their verdicts: the mean by itself, the rest by families."""
    like = like_calls(at.before, at.after, quantity)
    if single:
        changes = one_a_side.run_changes(at.before[0], at.after[0], quantity)
        calls = one_a_side.call_changes(like)
    else:
        changes = several.run_changes(at, quantity)
        calls = several.call_changes(at, like)
    if same:
        return [_unchanged(c) for c in changes], [_unchanged(c) for c in calls]
    changes, calls = ([told_by_ticks(c, at.before, at.after) for c in every]
                      for every in (changes, calls))  # fmt: skip
    changes = [_by_more_than_trend(c, at, tolerance) for c in _decided(changes, tolerance)]
    calls = [_worth_saying(c, like, single, tolerance) for c in with_holm(calls, tolerance)]
    calls = _with_bh(calls)
    return [_with_advice(c, at, tolerance) for c in changes], [
        _with_advice(c, at, tolerance) for c in calls
    ]


def _decided(changes: list[Change], tolerance: Tolerance) -> list[Change]:
    """Verdicts of the whole loop: mean and tail together raise no more than the level.

    The mean has most of the level; the rate says the same as the mean of the periods and
    follows it.
    """
    others = [c for c in changes if c.statistic not in ("mean", "rate") and c.p is not None]
    weight = {"mean": len(others) * MEAN_SHARE / (1 - MEAN_SHARE)} if others else None
    family = iter(with_holm([c for c in changes if c.statistic != "rate"], tolerance, weight))
    out = [c if c.statistic == "rate" else next(family) for c in changes]
    mean = next((c for c in out if c.statistic == "mean"), None)
    dearer = mean.p_holm / mean.p if mean is not None and mean.p and mean.p_holm else 1.0
    return [
        decide(c, tolerance, None if c.p is None else min(1.0, c.p * dearer))
        if c.statistic == "rate"
        else c
        for c in out
    ]


def _by_more_than_trend(change: Change, at: Scatter, tolerance: Tolerance) -> Change:
    """A verdict of sides recorded one after the other only where the figures themselves moved so.

    Where they did not, it rests on nothing but a line through few runs, drawn on to the others.
    """
    told = change.verdict in ("slower", "faster") and at.separated and not at.history
    if not told or not change.before or change.after is None:
        return change
    moved = change.after - change.before
    alike = moved * (change.percent.value or 0.0) > 0
    if alike and tolerance.exceeded(100 * moved / change.before, moved):
        return change
    note = (
        "as recorded it moved by less than the tolerance, only a trend along the session speaks for"
        " more: record the sides in turn (ABBA)"
    )
    return replace(change, verdict="can't tell", note=note)


def _worth_saying(change: Change, like: LikeCalls, single: bool, tolerance: Tolerance) -> Change:
    """A call's verdict only where the change matters and is more than runs scatter."""
    if change.verdict not in ("slower", "faster"):
        return change
    if not tolerance.exceeded(change.percent.value, change.difference.value):
        return replace(change, verdict="no change seen", note="less than the tolerance")
    a, b = like.before[0], like.after[0]
    limit = one_a_side.call_scatter_percent(a, b, change) if single else None
    if limit is not None and not beyond(change.percent.value or 0.0, limit):
        note = f"within the usual scatter between runs of {limits_in_words(limit)}"
        return replace(change, verdict="can't tell", note=note)
    return change


def _unchanged(change: Change) -> Change:
    return replace(change, verdict="no change seen", note="the same recording", p=1.0)


def _with_bh(calls: list[Change]) -> list[Change]:
    q = iter(benjamini_hochberg([c.p for c in calls if c.p is not None]))
    return [c if c.p is None else replace(c, p_bh=float(next(q))) for c in calls]


def _ranked(calls: Sequence[Change]) -> tuple[Change, ...]:
    told = [c for c in calls if c.verdict in ("slower", "faster")]
    return tuple(sorted(told, key=lambda c: (c.p_bh or 0.0, -abs(c.difference.value or 0.0))))


def _unknown(change: Change, hidden: str) -> Change:
    if change.statistic in ("overruns", "rate"):
        return change
    return replace(change, verdict="can't tell", note=hidden, hidden=True)


def _with_advice(change: Change, at: Scatter, tolerance: Tolerance) -> Change:
    """What it would take to tell, beside a "can't tell"."""
    if change.verdict != "can't tell" or change.seen_percent is None:
        return change
    k = min(len(at.before), len(at.after))
    if len(at.before) == len(at.after) == 1:
        factor = (change.seen_percent / tolerance.percent) ** 2
        need = f"about {factor * at.window_s:.0f} s a side would do"
        if change.statistic == "rate" or factor > _MOST_LONGER:
            return change
    else:
        if at.separated and not at.history:
            return change  # how to record comes first
        many = several.runs_needed(change, k, tolerance)
        need = f"about {many} runs a side would do" if many else "50 runs a side would not do"
        if k < 2:
            need = "record 3 + 3 runs"
    return replace(change, note="; ".join([n for n in (change.note, need) if n]))


def _usual_scatter(
    at: Scatter, quantity: str, single: bool, changes: Sequence[Change]
) -> UsualScatter | None:
    """The second line of one run against one, about the mean."""
    mean = next((c for c in changes if c.statistic == "mean"), None)
    if not single or mean is None or not mean.before or not mean.after:
        return None
    change = 100 * (mean.after / mean.before - 1)
    a, b = at.before[0], at.after[0]
    if at.history:
        values = [[run.values.by_name[quantity, "mean"]] for run in (a, b)]
        old = [v for r in at.history if (v := r.get("mean", quantity)) is not None]
        try:
            found = at.compare(values, old)
        except NotEnoughError:
            return None
        limit = 100 * math.expm1((found.high - found.low) / 2)
        return UsualScatter(change, limit, found.p < 0.05, f"history of {len(old)} runs")
    allowed = one_a_side.scatter_percent(a, b, "mean", quantity)
    if allowed is None:
        return None
    rests_on = f"the scatter within both and {one_a_side.assumed(a, b)[1]}"
    return UsualScatter(change, allowed, beyond(change, allowed), rests_on)


def _verdict(
    changes: Sequence[Change],
    single: bool,
    scatter: UsualScatter | None,
    tolerance: Tolerance,
) -> tuple[str, str]:
    """What is said of two recordings (empty with more), and the verdict word."""
    judged = [c for c in changes if c.statistic != "rate"]
    mean = next((c.verdict for c in judged if c.statistic == "mean"), "can't tell")
    told = {c.verdict for c in judged}
    if mean in ("slower", "faster"):
        whole = mean
    elif "slower" in told:
        whole = "slower"
    elif "faster" in told:
        whole = "faster"
    elif mean == "no change seen" and unjudged(judged, tolerance):
        whole = "can't tell"
    else:
        whole = mean
    if not single:
        return "", whole
    if whole == "no change seen":
        return "no difference seen", whole
    if whole == "can't tell":
        return "can't tell", whole
    beyond = scatter is not None and scatter.beyond and mean == whole
    return "differ", whole if beyond else "can't tell"


def _order_warnings(at: Scatter, single: bool) -> list[Unlike]:
    if single:
        return []
    if at.order is None:
        sides = [[run.facts for run in side] for side in (at.before, at.after)]
        often = Counter((k, facts.source) for k, side in enumerate(sides) for facts in side)
        again = list(dict.fromkeys(
            f.name for k, side in enumerate(sides) for f in side if often[k, f.source] > 1
        ))  # fmt: skip
        if not again:
            return [Unlike("order", "the order of recording is not known: put a line # time: ..."
                           " into each log, and record the sides in turn (ABBA)")]  # fmt: skip
        return [Unlike("order", f"{listed(again)} {'hold' if len(again) > 1 else 'holds'} more than"
                       " one run, which count each, so the order of recording is not known: give"
                       " each a file of its own, with a line # time: ...")]  # fmt: skip
    if at.separated:
        how = (
            "scatter is that of the history" if at.history
            else "a trend along the session is taken out of the changes in %, which costs power"
        )  # fmt: skip
        return [Unlike("order", f"the sides were not interleaved ({at.order.letters}): a change of"
                       f" battery or heat looks like a change of code; {how}")]  # fmt: skip
    if abs(at.order.imbalance) > 0.5:
        return [Unlike("order", f"the sides were hardly interleaved ({at.order.letters}):"
                       " record them in turn (ABBA)")]  # fmt: skip
    return []
