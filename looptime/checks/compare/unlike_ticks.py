"""Figures of the tail on clocks that tick unlike: told only where the coarser one shows them."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from looptime.array_types import Int
from looptime.checks.compare.change import Change
from looptime.checks.compare.sides import Judged
from looptime.stats.dither import FINER
from looptime.stats.quantiles import percentiles
from looptime.stats.statistic import parse_statistic

__all__ = ["told_by_ticks"]

#: Of a budget, a tick of this part and more may move loops over it by rounding alone.
_OF_BUDGET = 0.01


def told_by_ticks(change: Change, before: Sequence[Judged], after: Sequence[Judged]) -> Change:
    """A change without its p-value, where rounding to unlike ticks may have made all of it.

    Noise undoes the rounding where values scatter by the tick and more. Where they scatter by less,
    it does so on the average, and not at one place of one distribution: on like clocks what is
    left is the same on both sides. Lengths that are written more finely than the clock are told.
    """
    runs = {run.facts.tick_ns for run in before}, {run.facts.tick_ns for run in after}
    if runs[0] == runs[1] or change.p is None or change.statistic in ("mean", "rate"):
        return change
    tick = max(runs[0] | runs[1])
    if change.statistic == "overruns":
        budgets = [run.facts.budget_ms for run in (*before, *after)]
        hidden = any(budget and tick / 1e6 > _OF_BUDGET * budget for budget in budgets)
        why = f"the clocks tick unlike, and {tick / 1e6:g} ms of rounding bring loops over a budget"
    else:
        moved = change.difference.value
        hidden = moved is not None and abs(moved) <= tick / 1e6
        hidden = hidden and _rounded(change, [*before, *after], tick)
        why = f"the clocks tick unlike, and it moved by less than the {tick / 1e6:g} ms of the"
        why += " coarser"
    if not hidden:
        return change
    return replace(change, p=None, seen_percent=None, note=f"{why}: {FINER}")


def _rounded(change: Change, runs: Sequence[Judged], tick: int) -> bool:
    """Whether values are cut to the coarser tick, and those of the finer scatter by less than that.

    Means of the worst have no noise added, so that rounding always shifts them.
    """
    each = [(run, _values(change, run)) for run in runs]
    coarse = [x for run, x in each if run.facts.tick_ns == tick]
    fine = [x for run, x in each if run.facts.tick_ns < tick]
    if any(x is None for _, x in each):
        return True  # stored figures alone
    if any((x % tick != 0).any() for x in coarse if x is not None):
        return False
    if parse_statistic(change.statistic).kind == "worst":
        return True
    widths = [np.diff(percentiles(x, [16, 84]))[0] / 2 for x in fine if x is not None]
    return max(widths, default=0.0) < tick


def _values(change: Change, run: Judged) -> Int | None:
    """What a figure is one of [ns]; None where only figures are at hand."""
    at = run.series
    if at is None:
        return None
    if not change.call:
        return at.period_ns if change.quantity == "period" or at.work_ns is None else at.work_ns
    keys = {part.key: part.self_ns for part in at.parts}
    return keys.get((change.call, change.thread), at.unattributed_ns)
