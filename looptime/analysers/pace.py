"""How fast and how even the loop is: periods, work, headroom, rate, overruns."""

import re
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.estimate import Figure
from looptime.analysers.pacing import ONE_TICK, periods_told
from looptime.array_types import Float
from looptime.records import dataclass
from looptime.schema import LIMITS
from looptime.stats.arrays import median
from looptime.stats.dither import dither, untold_ms
from looptime.stats.jackknife import jackknife
from looptime.stats.quantiles import element_number, time_quantiles
from looptime.units import NS_PER_MS, UNITS, split_unit
from looptime.words import three

__all__ = ["Distribution", "Overruns", "Pace", "Rate", "distribution", "overruns", "pace"]

_SHARES = {"p50": 0.50, "p90": 0.90, "p95": 0.95, "p99": 0.99, "p999": 0.999}
_STATISTIC = {"mean": "mean", "p50": "median", "p90": "p90", "p95": "p95", "p99": "p99",
              "p999": "p99.9"}  # fmt: skip
_LEAST_FOR_INTERVAL = 200
#: Where a budget comes from that the work must keep, and not the period.
OF_WORK = "of work, stated in the log"
#: Where a budget comes from that somebody states.
STATED = ("as given", "stated in the log")
#: A budget this near to the nominal period is that period.
_SAME = 0.02
#: Usual loops that a limit without a unit is as long as.
_ABOUT = (0.5, 10)


@dataclass(frozen=True)
class Distribution:
    """Figures of a quantity over the loops [ms].

    Each quantile is an element that occurs: number ``ceil(p n)`` of the sorted values.
    """

    mean: Figure
    sd: float | None
    min: float | None
    p50: Figure
    p90: Figure
    p95: Figure
    p99: Figure
    p999: Figure
    max: float | None


@dataclass(frozen=True)
class Rate:
    """Loop rate [1/s]: the mean of 1/T, and loops over elapsed time."""

    by_loops: float | None
    by_time: float | None


@dataclass(frozen=True)
class Overruns:
    """Loops whose period is longer than the budget."""

    budget_ms: float | None  #: None where nobody set one and the loop has no nominal period
    budget_from: str  #: Where the budget comes from
    #: How many, their share of the loops, and of the time.
    count: int | None = None
    share: float | None = None
    time_share: float | None = None
    #: Time beyond the budget in each second: an overrun counts by how long it is; [ms/s].
    excess_ms_per_s: float | None = None
    #: The same above the second threshold.
    serious_ms: float | None = None
    serious_count: int | None = None
    serious_share: float | None = None

    @property
    def title(self) -> str:
        """What the budget is called: a limit where it follows from the pace and nobody set it."""
        derived = ("a tenth", "a tick of the clock", "can't be counted")
        return "limit" if any(words in self.budget_from for words in derived) else "budget"


@dataclass(frozen=True)
class Pace:
    """How fast and how even the loop is."""

    loops: int
    duration_s: float
    period_ms: Distribution
    #: Of each loop's own row where nothing tells whether what passes after it is a wait.
    work_ms: Distribution | None
    headroom_ms: dict[str, Figure] | None
    period_by_time_ms: dict[str, float | None]
    rate_hz: Rate
    overruns: Overruns
    drifting: bool
    #: By how much a period may be off where the clock cannot tell how single ones differ, else 0.
    untold_ms: float = 0.0

    @property
    def one_length(self) -> bool:
        """Whether all periods are one length to a clock that cannot tell how they differ."""
        at = self.period_ms
        return bool(self.untold_ms) and at.max is not None and at.max == at.min

    @property
    def keeps_budget(self) -> bool | None:
        """Whether no more than every second loop breaks the budget that somebody stated.

        None where more do so by a hair: such a budget is the usual period itself.
        """
        over = self.overruns
        stated = over.budget_ms is not None and over.budget_from in (*STATED, OF_WORK)
        if not stated or (over.share or 0.0) <= 0.5:
            return True
        held = self.work_ms if over.budget_from == OF_WORK else self.period_ms
        usual = None if held is None else held.p50.value
        if held is not None and self.untold_ms:  # single ones can't be told, their mean can
            usual = min(held.p50.value or 0.0, held.mean.value or 0.0)
        if usual is None or usual <= (1 + _SAME) * (over.budget_ms or 0.0):
            return None
        return False


def distribution(x_ms: Float, tick_ms: float = 0.0) -> Distribution:
    """Mean, spread and quantiles of a quantity, with intervals where there are enough loops.

    Parameters
    ----------
    x_ms : float array, shape (n,) [ms]
        In loop order.
    tick_ms : float [ms]
        Step of the clock. A coarse one is dithered for the intervals, never for the values.

    References
    ----------
    Delete-a-group jackknife, see `looptime.stats.jackknife`.

    Examples
    --------
    >>> made = distribution(np.array([10.0, 12.0, 11.0, 30.0]))
    >>> made.p50.value, made.max, made.p50.low is None
    (11.0, 30.0, True)
    """
    n = len(x_ms)
    if not n:
        none = Figure()
        return Distribution(none, None, None, none, none, none, none, none, None)
    ordered = np.sort(x_ms)
    values = {"mean": float(x_ms.mean())}
    values |= {k: float(ordered[element_number(p, n) - 1]) for k, p in _SHARES.items()}
    figures = {k: Figure(v) for k, v in values.items()}
    least, most = float(ordered[0]), float(ordered[-1])
    del ordered  # a long run's memory is dear
    if n >= _LEAST_FOR_INTERVAL:
        figures |= _intervals(x_ms, tick_ms, values)
    sd = float(x_ms.std(ddof=1)) if n > 1 else None
    return Distribution(sd=sd, min=least, max=most, **figures)


def _intervals(x_ms: Float, tick_ms: float, values: dict[str, float]) -> dict[str, Figure]:
    found = jackknife(dither(x_ms, tick_ms), list(_STATISTIC.values()))
    made = {}
    for key, statistic in _STATISTIC.items():
        estimate = found[statistic]
        if estimate.enough:
            # no figure of the run lies outside of what occurred in it
            low = max(min(estimate.low, values[key]), float(x_ms.min()))
            high = min(max(estimate.high, values[key]), float(x_ms.max()))
            made[key] = Figure(values[key], low, high)
    return made


def overruns(
    period_ms: Float,
    budget_ms: float | None,
    budget_from: str = "as given",
    serious_ms: float | None = None,
) -> Overruns:
    """Count the periods that are longer than the budget.

    Examples
    --------
    >>> made = overruns(np.array([10.0, 10.0, 30.0]), 20.0)
    >>> made.count, round(made.time_share, 2), round(made.excess_ms_per_s)
    (1, 0.6, 200)
    """
    n, total = len(period_ms), float(period_ms.sum())
    over = period_ms > budget_ms if budget_ms is not None else np.zeros(n, bool)
    serious = period_ms > serious_ms if serious_ms is not None else None
    known = budget_ms is not None
    beyond = float((period_ms[over] - (budget_ms or 0.0)).sum())
    return Overruns(
        budget_ms,
        budget_from,
        int(over.sum()) if known else None,
        float(over.mean()) if known and n else None,
        float(period_ms[over].sum()) / total if known and total > 0 else None,
        beyond / total * 1e3 if known and total > 0 else None,
        serious_ms,
        int(serious.sum()) if serious is not None else None,
        float(serious.mean()) if serious is not None and n else None,
    )


def pace(basis: Basis, *, budget_ms: float | None = None, serious_ms: float | None = None) -> Pace:
    """Figures of period, work, headroom, rate and overruns.

    Without a budget, that which the log states holds, and otherwise the nominal period and a tenth
    for a loop at a fixed rate. So it is too where the log states that very period: half of such
    loops are longer by a hair.

    Parameters
    ----------
    basis : Basis
        From `looptime.analysers.basis.prepare`.
    budget_ms, serious_ms : float, optional [ms]
        Period above which a loop overruns, and above which that is serious.
    """
    run = basis.run
    period, tick_ms = basis.period_ms, run.clock.tick_ns / 1e6
    by_period, untold = distribution(period, tick_ms), untold_ms(period, tick_ms)
    by_period = _within(by_period, untold) if untold else by_period
    work = by_period if basis.work_known else None
    if basis.judged == "work":
        work = distribution(basis.judged_ms, tick_ms)
    elif basis.pacing.mode == "can't tell" and basis.waits.unnamed_ns is not None:
        work = distribution(period - basis.waits.unnamed_ns / 1e6, tick_ms)
    budget_from = "as given"
    if budget_ms is None:
        budget_ms, budget_from = _own_budget(run.meta, basis)
    if not periods_told(run):
        return _rate_alone(basis, by_period)
    total = float(period.sum())
    by_time = dict.fromkeys(("p50", "p90", "p99"))
    if len(period) and period.min() >= 0:
        by_time = dict(
            zip(by_time, map(float, time_quantiles(period, [0.5, 0.9, 0.99])), strict=True)
        )
    return Pace(
        loops=len(period),
        duration_s=run.duration_s,
        period_ms=by_period,
        work_ms=work,
        headroom_ms=_headroom(basis, work),
        period_by_time_ms=by_time,
        rate_hz=Rate(
            float(np.mean(1e3 / period)) if len(period) and period.min() > 0 else None,
            len(period) / total * 1e3 if total > 0 else None,
        ),
        overruns=overruns(
            basis.judged_ms if budget_from == OF_WORK else period,
            budget_ms,
            budget_from,
            serious_ms,
        ),
        drifting=_drifting(basis),
        untold_ms=untold,
    )


def _within(made: Distribution, off_ms: float) -> Distribution:
    """The quantiles with what each may be off by."""
    wide: dict[str, Any] = {
        key: Figure(at.value, max(at.value - off_ms, 0.0), at.value + off_ms)
        for key in _SHARES
        if (at := getattr(made, key)).value is not None
    }
    return replace(made, **wide)


def _own_budget(meta: dict[str, str], basis: Basis) -> tuple[float | None, str]:
    """The budget [ms] that the log or its pace gives, and where it comes from.

    No loop that keeps its pace overruns it because the clock steps on within it. A limit that the
    log states within the pace is one of the work: no period ever keeps it.
    """
    paced, tick_ms = basis.pacing, basis.run.clock.tick_ns / 1e6
    logged = _stated_budget(meta, median(basis.period_ms) if len(basis.period_ms) else 0.0)
    nominal = paced.nominal_ms if paced.fixed_rate else None
    if nominal is None:
        return logged, "none set" if logged is None else "stated in the log"
    if logged is not None and abs(logged / nominal - 1) < _SAME:
        return nominal * 1.1, f"a tenth above the {three(logged)} ms that the log states"
    if logged is not None and logged > nominal:
        return logged, "stated in the log"
    if logged is not None and basis.judged == "work":
        return logged, OF_WORK
    if logged is not None:
        why = "they are within the pace, and the wait is not logged"
        return nominal * 1.1, f"the {three(logged)} ms of the log can't be counted: {why}"
    if ONE_TICK * tick_ms > 0.1 * nominal:
        return nominal + ONE_TICK * tick_ms, "nominal period and a tick of the clock"
    return nominal * 1.1, "nominal period and a tenth"


def _stated_budget(meta: dict[str, str], period_ms: float = 0.0) -> float | None:
    """The budget [ms] that a log states, as in ``# budget_ms: 20`` or ``# budget: 20 ms``.

    Without a unit it is in the one by which it is about as long as a loop: units lie too far apart
    for two of them to be.

    Examples
    --------
    >>> _stated_budget({"budget_us": "5000"}), _stated_budget({"loop deadline": "20 ms"})
    (5.0, 20.0)
    >>> _stated_budget({"budget": "20"}), _stated_budget({"robot": "5 ms"})
    (None, None)
    >>> [_stated_budget({"budget": "20"}, period) for period in (16.0, 160.0)]
    [20.0, None]
    """
    for key, value in meta.items():
        word, unit = split_unit(key)
        number, _, rest = value.strip().partition(" ")
        unit = unit or (rest.strip() if rest.strip() in UNITS else None)
        if re.split(r"[ _-]", word.lower())[-1] not in LIMITS:
            continue
        if not re.fullmatch(r"\d+(\.\d+)?", number) or float(number) <= 0 or (rest and not unit):
            continue
        of_unit = {one: float(number) * ns / NS_PER_MS for one, ns in UNITS.items()}
        low, high = _ABOUT[0] * period_ms, _ABOUT[1] * period_ms
        unit = unit or next((one for one, ms in of_unit.items() if low <= ms <= high), None)
        if unit is not None:
            return of_unit[unit]
    return None


def _rate_alone(basis: Basis, period: Distribution) -> Pace:
    """What is left where the clock's steps are as long as a loop: how many loops in what time."""
    n, none = len(basis.run), Figure()
    seconds = basis.run.duration_s
    return Pace(
        n, seconds, Distribution(period.mean, None, None, none, none, none, none, none, None),
        None, None, dict.fromkeys(("p50", "p90", "p99")),
        Rate(None, n / seconds if seconds > 0 else None),
        Overruns(None, "the clock is too coarse to count them"), drifting=False,
    )  # fmt: skip


def _drifting(basis: Basis) -> bool:
    x = basis.judged_ms
    return len(x) >= _LEAST_FOR_INTERVAL and jackknife(x, ["mean"])["mean"].drifting


def _headroom(basis: Basis, work: Distribution | None) -> dict[str, Figure] | None:
    """Nominal period minus work: p99 is what is left in the loops with the most work."""
    nominal = basis.pacing.nominal_ms
    if work is None or nominal is None or not basis.pacing.fixed_rate:
        return None
    return {
        key: Figure(
            nominal - (at.value or 0.0),
            None if at.high is None else nominal - at.high,
            None if at.low is None else nominal - at.low,
        )
        for key, at in (("p50", work.p50), ("p99", work.p99))
    }
