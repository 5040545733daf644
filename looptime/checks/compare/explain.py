"""What explains a change: differences per call that add up exactly, and the shift of all loops."""

import math
from collections.abc import Sequence

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.checks.compare.several import Scatter
from looptime.checks.compare.sides import Judged
from looptime.checks.recording.figures import RunValues
from looptime.errors import NotEnoughError
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.stats.between_runs import compare_runs
from looptime.stats.jackknife import jackknife
from looptime.stats.quantiles import quantiles
from looptime.stats.twosample import difference

__all__ = ["Explained", "Share", "Shift", "average_means", "explain", "shift"]

#: Shares of the distribution at which the shift is shown [percent].
SHIFT_PERCENT = (1, 5, 10, 25, 50, 75, 90, 95, 99)
#: A part of the change that is larger than so many times the whole is no share of it.
_MOST_SHARE = 1.5
#: Row that joins the two quantities where one side waits and the other's wait is not known, and of
#: the wait for a later tick after calls that missed one.
PACING_WAIT = "pacing wait"


@dataclass(frozen=True)
class Share:
    """What one call adds to the difference of the means [ms per loop]."""

    name: str  #: The call, or ``unattributed``
    #: Mean self time per loop.
    before_ms: float
    after_ms: float
    difference_ms: float
    #: Of the whole difference; None where there is none, and where the parts cancel.
    share: float | None


@dataclass(frozen=True)
class Explained:
    """The difference of the means, split."""

    quantity: str
    #: Means of the quantity judged; the parts' differences add up to `difference_ms`.
    before_ms: float
    after_ms: float
    difference_ms: float
    parts: tuple[Share, ...]  #: Largest difference first

    @property
    def cancels(self) -> bool:
        """Whether parts have no share of the whole, as what some add others take away."""
        return any(p.difference_ms and p.share is None for p in self.parts)


@dataclass(frozen=True)
class Shift:
    """How far one quantile moved [ms]."""

    percent: float  #: Share of loops below it
    before_ms: float
    after_ms: float
    difference_ms: Figure  #: With its 95 % interval where there is one


def _means(values: RunValues, quantity: str) -> dict[str, float]:
    """Mean self time per loop of every part of the quantity [ms]; exact sums over the loops."""
    n = values.facts.loops
    out: dict[str, float] = {}
    for call in values.calls:
        if call.counts and call.on_loop_thread:
            out[call.name] = out.get(call.name, 0.0) + call.total_ns / n / 1e6
    if quantity == "period" and values.facts.judged == "work":
        period, work = (values.by_name[q, "mean"].value for q in ("period", "work"))
        out[PACING_WAIT] = period - work
    return out


def average_means(runs: Sequence[Judged], quantity: str) -> dict[str, float]:
    """Mean self time per loop of every part of the quantity, over the runs of a side [ms]."""
    each = [_means(run.values, quantity) for run in runs]
    names = dict.fromkeys(name for means in each for name in means)
    return {name: math.fsum(m.get(name, 0.0) for m in each) / len(each) for name in names}


def _part_from_waits(*sides: tuple[Sequence[Judged], dict[str, float]]) -> None:
    """Give the wait for a later tick a row of its own, where every run shows its loops."""
    if any(run.series is None for runs, _ in sides for run in runs):
        return
    for runs, means in sides:
        waits = math.fsum(run.series.tick_wait_ms for run in runs if run.series) / len(runs)
        if waits and UNATTRIBUTED in means:
            means[UNATTRIBUTED] -= waits
            means[PACING_WAIT] = means.get(PACING_WAIT, 0.0) + waits


def explain(before: Sequence[Judged], after: Sequence[Judged], quantity: str) -> Explained:
    """Split the difference of the means over the calls and what no call covers.

    Self times and the unattributed part add up to the quantity judged in every loop, so their
    means, and the differences of these, add up as well. What no call covers is told without the
    wait for a later tick, which the calls that missed one made, where every run shows it. Where one
    part moved by much more than the whole, others took that away again, and shares say nothing.
    """
    a, b = (average_means(side, quantity) for side in (before, after))
    if quantity == "period":
        _part_from_waits((before, a), (after, b))
    sums = [math.fsum(x.values()) for x in (a, b)]
    whole = sums[1] - sums[0]
    names = dict.fromkeys([*a, *b])
    by = {name: b.get(name, 0.0) - a.get(name, 0.0) for name in names}
    telling = max(map(abs, by.values()), default=0.0) <= _MOST_SHARE * abs(whole) > 1e-9
    parts = [
        Share(name, a.get(name, 0.0), b.get(name, 0.0), d, d / whole if telling else None)
        for name, d in by.items()
    ]
    parts.sort(key=lambda p: (-abs(p.difference_ms), p.name == UNATTRIBUTED, p.name))
    return Explained(quantity, sums[0], sums[1], whole, tuple(parts))


def _quantiles_ms(run: Judged, quantity: str) -> np.ndarray:
    shares = np.array(SHIFT_PERCENT) / 100
    if run.series is not None:
        return quantiles(run.series.ms(quantity), shares)
    found = run.values.histograms.get((quantity, "", ""))
    if found is None:
        raise NotEnoughError("no distribution is stored for a run")
    return found.quantiles_ns(shares) / 1e6


def shift(at: Scatter, quantity: str) -> tuple[Shift, ...]:
    """How far every part of the distribution moved.

    One run a side: jackknife intervals of each quantile. Several: one quantile a run, Student's
    t on their logarithms. Stored runs: from the histograms, within 1 %.
    """
    try:
        qa, qb = (
            np.array([_quantiles_ms(run, quantity) for run in side])
            for side in (at.before, at.after)
        )
    except NotEnoughError:
        return ()
    names = [f"p{p}" for p in SHIFT_PERCENT]
    single = len(qa) == len(qb) == 1
    intervals: list[tuple[float | None, float | None]] = [(None, None)] * len(names)
    if single:
        a, b = at.before[0], at.after[0]
        if (
            a.series is not None
            and b.series is not None
            and min(len(a.series.period_ns), len(b.series.period_ns)) >= 40
        ):
            ea, eb = (jackknife(series.ms(quantity), names) for series in (a.series, b.series))
            pairs = [difference(ea[n], eb[n]) for n in names]
            intervals = [(d.low, d.high) for d in pairs]
    else:
        intervals = [_interval(qa[:, k], qb[:, k]) for k in range(len(names))]
    out = []
    for k, p in enumerate(SHIFT_PERCENT):
        old, new = float(qa[:, k].mean()), float(qb[:, k].mean())
        out.append(Shift(p, old, new, Figure(new - old, *intervals[k])))
    return tuple(out)


def _interval(a: np.ndarray, b: np.ndarray) -> tuple[float | None, float | None]:
    if min(a.min(), b.min()) <= 0:
        return None, None
    try:
        found = compare_runs(np.log(a), np.log(b))
    except NotEnoughError:
        return None, None
    base = float(a.mean())
    return base * math.expm1(found.low), base * math.expm1(found.high)
