"""Several runs a side: one number a run, so that the scatter between runs is in the error."""

import math
from collections.abc import Sequence
from dataclasses import replace

from looptime.analysers.estimate import Figure
from looptime.checks.compare.change import Change, Tolerance
from looptime.checks.compare.like_calls import LikeCalls
from looptime.checks.compare.sides import (
    Judged,
    lifted,
    per_loops,
    per_loops_note,
    scale,
    share_of_loops,
    times_of,
)
from looptime.checks.recording.figures import RunValues, Value, average, shown_statistics
from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.stats.between_runs import (
    RunDifference,
    RunOrder,
    compare_runs,
    compare_runs_in_order,
    order_of_runs,
    resolvable_between_runs,
    runs_to_resolve,
)
from looptime.stats.dither import TOO_COARSE
from looptime.stats.statistic import least_loops

__all__ = ["Scatter", "call_changes", "recording_order", "run_changes", "runs_needed"]

_MOST_RUNS = 50


@dataclass(frozen=True)
class Scatter:
    """What the comparison of runs rests on."""

    before: tuple[Judged, ...]
    after: tuple[Judged, ...]
    #: Older runs of the unchanged set-up; fewer than 5 are not used.
    history: tuple[RunValues, ...] = ()
    #: How the sides followed each other; None where the times are not known.
    order: RunOrder | None = None
    window_s: float = 0.0  #: Common length

    @property
    def loops(self) -> int:
        """By which counts are compared: those of the shortest run."""
        sides = (run.facts for run in (*self.before, *self.after))
        return min(facts.loops for facts in (*sides, *(run.facts for run in self.history)))

    @property
    def separated(self) -> bool:
        """Whether a trend over the session cannot be told from the change without fitting it."""
        runs = len(self.before) + len(self.after)
        return self.order is not None and self.order.separated and runs >= 4

    def compare(self, values: Sequence[Sequence[Value]], old: Sequence[Value]) -> RunDifference:
        """The difference between the sides of one figure, on its own scale."""
        sides = (self.before, self.after)
        ya, yb = (scale(side, self.loops) for side in values)
        if self.separated and not self.history:
            ta, tb = (times_of(side) for side in sides)
            assert ta is not None
            assert tb is not None
            return compare_runs_in_order(ya, yb, ta, tb)
        past = None
        if len(old) >= 5 and len(old) == len(self.history):
            past = scale(old, self.loops)
        return compare_runs(ya, yb, past)


def recording_order(before: Sequence[Judged], after: Sequence[Judged]) -> RunOrder | None:
    """The order of recording, where every run has a time of its own."""
    if times_of([*before, *after]) is None:
        return None
    ta, tb = times_of(before), times_of(after)
    return None if ta is None or tb is None else order_of_runs(ta, tb)


def _change(
    at: Scatter, values: Sequence[Sequence[Value]], old: Sequence[Value], base: float = 0.0
) -> Change:
    """The change of one figure; `base` is what it is judged together with [ms]."""
    first = values[0][0]
    before, after = (average([per_loops(v, at.loops) for v in side]) for side in values)
    shares = [share_of_loops(side) for side in values]
    blank = Change(
        first.quantity, first.statistic, before=average(values[0]), after=average(values[1]),
        difference=Figure(after - before),
        percent=Figure(100 * (after - before) / before if before else None),
        note=per_loops_note(values), before_share=shares[0], after_share=shares[1],
    )  # fmt: skip
    shortest = min(v.n for side in values for v in side)
    need = least_loops("mean" if first.statistic == "rate" else first.statistic)
    if shortest < need and first.quantity != "self time":
        return replace(blank, note=f"{shortest:,} loops in a run are too few: it needs {need:,}")
    if any(TOO_COARSE in v.refused for side in values for v in side):
        return replace(blank, note=TOO_COARSE)
    try:
        found = at.compare([lifted(side, base) for side in values], lifted(old, base))
    except NotEnoughError as error:
        return replace(blank, note=str(error))
    if first.statistic == "overruns":
        return _of_counts(blank, found, before)
    factors = [math.expm1(v) for v in (found.low, found.high)]
    low, high = sorted(factors)
    relative = math.expm1(found.difference)
    same = all(v.value == w.value for v, w in zip(*values, strict=False))
    level = before + base
    made = replace(blank, difference=Figure(after - before, level * low, level * high), p=found.p)
    if not before:
        return made  # nothing is no share of it
    own = 100 * level / before
    return replace(
        made,
        percent=Figure(0.0 if same and not relative else own * relative, own * low, own * high),
        seen_percent=own * math.expm1(found.resolvable),
    )


def _of_counts(blank: Change, found: RunDifference, base: float) -> Change:
    """Back from square roots of counts to counts; `base` is the count before."""
    root = math.sqrt(base + 0.375)

    def more(d: float) -> float:
        return max(root + d, 0.0) ** 2 - root**2

    low, high, seen = more(found.low), more(found.high), more(found.resolvable)
    return replace(
        blank,
        difference=Figure(blank.difference.value, low, high),
        percent=Figure(
            blank.percent.value, *((100 * low / base, 100 * high / base) if base else (None, None))
        ),
        p=found.p,
        seen_percent=100 * seen / base if base else None,
    )


def run_changes(at: Scatter, quantity: str) -> list[Change]:
    """Every figure of the whole loop; verdicts are not yet given."""
    out = []
    budgets = {run.facts.budget_ms for run in (*at.before, *at.after)}
    loops = min(run.facts.loops for run in (*at.before, *at.after))
    for statistic in shown_statistics(loops):
        if statistic == "overruns" and len(budgets) > 1:
            continue
        sides = [
            [v for run in side if (v := run.values.get(statistic, quantity)) is not None]
            for side in (at.before, at.after)
        ]
        if len(sides[0]) < len(at.before) or len(sides[1]) < len(at.after):
            continue
        old = [r.get(statistic, quantity) for r in at.history]
        known = [v for v in old if v is not None]
        if statistic == "overruns" and {r.facts.budget_ms for r in at.history} - budgets:
            known = []
        out.append(_change(at, sides, known))
    return out


def call_changes(at: Scatter, like: LikeCalls) -> list[Change]:
    """Mean and p99 of the self time per loop of every call that can be judged."""
    out = []
    for call in like.calls:
        for statistic in call.statistics:
            sides = [
                [getattr(run.values.call[call.key], statistic) for run in side]
                for side in (like.before, like.after)
            ]
            old = [getattr(r.call[call.key], statistic) for r in at.history if call.key in r.call]
            out.append(call.named(_change(at, sides, old, call.base)))
    return out


def runs_needed(change: Change, runs: int, tolerance: Tolerance) -> int | None:
    """Runs a side with which a change of the tolerance would be seen; None above 50.

    `change` was judged with `runs` a side; its run-to-run scatter is taken from what it would
    have seen.
    """
    if change.seen_percent is None or runs < 2:
        return None
    sd = math.log1p(change.seen_percent / 100) / resolvable_between_runs(1.0, runs, runs)
    needed = runs_to_resolve(sd, math.log1p(tolerance.percent / 100), _MOST_RUNS)
    return None if needed is None else max(needed, runs + 1)
