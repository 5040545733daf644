"""A season seen over its runs: trends, changes between versions, the odd run, spread of robots."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure, to_json
from looptime.array_types import Float, Int
from looptime.checks.recording.figures import RunValues
from looptime.checks.season.creep import creeps
from looptime.checks.season.season import Listed, Season
from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.schema import SCHEMA_VERSION
from looptime.stats.arrays import MAD_SCALE, mad
from looptime.stats.between_runs import compare_runs
from looptime.stats.changepoints import long_run_variance, partition
from looptime.stats.multiple import holm
from looptime.stats.student import t_quantile, t_two_sided

__all__ = [
    "LevelChange", "Odd", "RobotSpread", "Trend", "Trends", "listed_trends", "season_trends",
    "trends",
]  # fmt: skip

#: Runs below which neither a trend nor a change is looked for.
LEAST_RUNS = 6
#: Runs of the shortest stretch between two changes.
SEGMENT = 3
#: A run is odd beyond so many robust standard deviations from its neighbours, and this share.
ODD_MADS, ODD_SHARE = 4.0, 0.02
_PENALTY = 3.0
_ALPHA = 0.05
_FIGURES = ("mean", "median", "p99", "worst1", "rate")


@dataclass(frozen=True)
class LevelChange:
    """A change of level between two runs."""

    #: The runs on each side.
    before_entry: str
    after_entry: str
    #: Their code versions.
    before_version: str | None
    after_version: str | None
    #: Geometric means of the stretches of runs on each side.
    before: float
    after: float
    percent: Figure  #: The change with its 95 % interval
    p: float  #: Two-sided p-value, times the places where a change could be

    @property
    def with_version(self) -> bool:
        """Whether the code version changed there, too."""
        return self.before_version != self.after_version


@dataclass(frozen=True)
class Odd:
    """A run unlike the others."""

    #: `entry`, `run`: Its name in the season, and what it is called.
    entry: str
    run: str
    version: str | None
    figures: tuple[str, ...]  #: Those in which it is unlike them
    percent: float  #: Its distance from its neighbours in the first of them; below 0 it was faster


@dataclass(frozen=True)
class Trend:
    """One figure over the runs of one robot."""

    statistic: str  #: Of the quantity judged; of a call the mean self time per loop
    call: str  #: Empty for the whole loop
    unit: str  #: ``ms`` or ``1/s``
    values: tuple[float, ...]  #: One a run, in the order of recording
    per_run_percent: Figure  #: Straight trend with its 95 % interval; None with fewer than 6 runs
    #: `p`, `p_holm`: Two-sided p-value of the trend, raw and adjusted over all figures.
    p: float | None
    p_holm: float | None
    steps: tuple[LevelChange, ...]

    @property
    def title(self) -> str:
        """How the figure is called in tables."""
        return f"{self.call} {self.statistic}" if self.call else self.statistic


@dataclass(frozen=True)
class RobotSpread:
    """One robot among others: its usual level and the scatter of its runs."""

    robot: str
    runs: int
    #: Medians over its runs.
    mean_ms: float
    p99_ms: float
    sd_percent: float | None  #: Run-to-run standard deviation of the mean
    from_all_percent: float  #: Its mean over the median of all robots


@dataclass(frozen=True)
class Trends:
    """A robot's runs over time."""

    robot: str | None
    quantity: str  #: ``work`` or ``period``
    entries: tuple[Listed, ...]  #: The runs in the order of recording
    ordered: bool  #: Whether every run has a time; if not, the order is that of their sources
    trends: tuple[Trend, ...]  #: The loop first, then the calls
    odd: tuple[Odd, ...]  #: Runs unlike the others, the oddest first

    def to_dict(self) -> dict[str, Any]:
        """As in JSON."""
        return {
            "schema_version": SCHEMA_VERSION,
            "robot": self.robot,
            "quantity": self.quantity,
            "ordered": self.ordered,
            "runs": [
                {"entry": e.name, "version": e.facts.version, "time": e.facts.time,
                 "source": e.facts.source}
                for e in self.entries
            ],
            "trends": [to_json(t) for t in self.trends],
            "odd": [to_json(o) for o in self.odd],
        }  # fmt: skip


def trends(entries: Sequence[Listed], values: Sequence[RunValues]) -> Trends:
    """Trends, changes and odd runs of one robot.

    A straight trend is tested by least squares on the logarithms over the place in the order,
    with Holm's correction over all figures. A change between runs must be found by penalised
    least squares and its two stretches must differ by Student's t at 5 % over the number of
    places (and of calls). A run is odd where it lies beyond 4 robust standard deviations, and
    2 %, of the median of its neighbours; odd runs are left out of the rest.

    Parameters
    ----------
    entries : sequence of Listed
        In the order of recording.
    values : sequence of RunValues
        The same runs.

    Raises
    ------
    UsageError
        If there are no runs.
    """
    if not len(entries):
        raise UsageError("there are no runs to see a trend in: add logs with `season add`")
    quantity = _quantity(values)
    return _over_runs(entries, quantity, _series(values, quantity))


def listed_trends(listed: Sequence[Listed]) -> list[Trends]:
    """As `trends` for each robot, of the whole loop alone: from what a list shows, no file read."""
    made = []
    for entries in _by_robot(listed):
        known = all("work.mean" in e.figures for e in entries)
        work = known and any(e.facts.judged == "work" for e in entries)
        quantity = "work" if work else "period"
        keys = [(name, f"{quantity}.{name}") for name in _FIGURES]
        series = [
            (name, "", [e.figures[key] for e in entries])
            for name, key in keys
            if all(key in e.figures for e in entries)
        ]
        made.append(_over_runs(entries, quantity, series))
    return made


def _over_runs(
    entries: Sequence[Listed], quantity: str, every: Sequence[tuple[str, str, list[float]]]
) -> Trends:
    found, odd = [], _OddRuns(entries)
    calls = max(sum(1 for _, call, _ in every if call), 1)
    for statistic, call, series in every:
        y = np.array(series)
        if len(y) < LEAST_RUNS or not (y > 0).all():
            steps: tuple[LevelChange, ...] = ()
            slope, p = Figure(), None
        else:
            log = np.log(y)
            title = f"{call} {statistic}" if call else statistic
            # a rate by its period: what is faster lies below, whichever figure says so
            kept = odd.look(title, -log if statistic == "rate" else log)
            cuts = _cuts(log[kept], _ALPHA / calls if call else _ALPHA)
            if len(cuts) > 2 and creeps(kept, log[kept], cuts):
                cuts = [0, len(kept)]
            mine = [entries[k] for k in kept]
            steps = tuple(_step(mine, log[kept], cuts, k) for k in range(1, len(cuts) - 1))
            slope, p = _slope(kept.astype(np.float64), log[kept])
        unit = "1/s" if statistic == "rate" else "ms"
        found.append(Trend(statistic, call, unit, tuple(series), slope, p, None, steps))
    facts = [e.facts for e in entries]
    return Trends(
        facts[0].robot, quantity, tuple(entries), all(f.time for f in facts), _adjusted(found),
        odd.all(),
    )  # fmt: skip


def _quantity(values: Sequence[RunValues]) -> str:
    known = all(("work", "mean") in r.by_name for r in values)
    return "work" if known and any(r.facts.judged == "work" for r in values) else "period"


def _series(values: Sequence[RunValues], quantity: str) -> list[tuple[str, str, list[float]]]:
    out = []
    for statistic in _FIGURES:
        found = [r.get(statistic, quantity) for r in values]
        out.append((statistic, "", [v.value for v in found if v is not None]))
    shared = set(values[0].call)
    for run in values[1:]:
        shared &= set(run.call)
    for call in values[0].calls:
        if call.key in shared and (call.counts or not call.on_loop_thread):
            out.append(("mean", call.name, [r.call[call.key].mean.value for r in values]))
    return [row for row in out if len(row[2]) == len(values)]


def _cuts(y: Float, alpha: float = _ALPHA) -> list[int]:
    """Edges of the stretches of equal level: 0, each change that holds, and the end."""
    least = min(SEGMENT, len(y) // 2)
    price = _PENALTY * long_run_variance(y, least) * math.log(len(y))
    cuts = [0, *partition(y, price, least), len(y)]
    k = 1
    while k < len(cuts) - 1:
        if _p(y, cuts, k) < alpha:
            k += 1
        else:
            del cuts[k]
            k = max(k - 1, 1)
    return cuts


def _p(y: Float, cuts: list[int], k: int) -> float:
    a, b = y[cuts[k - 1] : cuts[k]], y[cuts[k] : cuts[k + 1]]
    return min(1.0, compare_runs(a, b).p * max(len(y) - 2 * SEGMENT + 1, 1))


def _step(entries: Sequence[Listed], y: Float, cuts: list[int], k: int) -> LevelChange:
    a, b = y[cuts[k - 1] : cuts[k]], y[cuts[k] : cuts[k + 1]]
    found = compare_runs(a, b)
    before, after = entries[cuts[k] - 1], entries[cuts[k]]
    return LevelChange(
        before.name, after.name, before.facts.version, after.facts.version,
        math.exp(float(a.mean())), math.exp(float(b.mean())),
        Figure(found.percent, *found.percent_interval), _p(y, cuts, k),
    )  # fmt: skip


def _slope(place: Float, y: Float) -> tuple[Figure, float]:
    """Change per run in percent by least squares on logarithms, and its p-value."""
    x = place - place.mean()
    spread, df = float(x @ x), len(y) - 2
    b = float(x @ y) / spread
    left = y - y.mean() - b * x
    left[np.abs(left) < 1e-13] = 0.0
    se = math.sqrt(float(left @ left) / df / spread)
    half = t_quantile(0.975, df) * se
    ends = [100 * math.expm1(v) for v in (b, b - half, b + half)]
    return Figure(*ends), t_two_sided(b, se, df)


def _adjusted(found: Sequence[Trend]) -> tuple[Trend, ...]:
    adjusted = iter(holm([t.p for t in found if t.p is not None]))
    return tuple(t if t.p is None else replace(t, p_holm=float(next(adjusted))) for t in found)


def _gaps(y: Float) -> Float:
    """By how much each run lies off the median of itself and two neighbours on either side.

    At the ends it is the median of the five there, or that carried on by their usual step (median
    of all slopes between two of them): the nearer of the two, so that a trend makes no run odd.
    """
    windows = np.lib.stride_tricks.sliding_window_view(y, 5)
    middle = np.median(windows, axis=1)
    gap = y - np.concatenate([[middle[0]] * 2, middle, [middle[-1]] * 2])
    one, other = np.triu_indices(5, 1)
    for window, ends in ((windows[0], (0, 1)), (windows[-1], (-1, -2))):
        slope = float(np.median((window[other] - window[one]) / (other - one)))
        for at, steps in zip(ends, (2, 1), strict=True):
            carried = gap[at] + slope * (steps if at >= 0 else -steps)
            gap[at] = min(gap[at], carried, key=abs)
    return gap


class _OddRuns:
    """Collects the figures in which each run is unlike its stretch."""

    def __init__(self, entries: Sequence[Listed]) -> None:
        self.entries = entries
        self.figures: dict[int, list[str]] = {}
        self.percent: dict[int, float] = {}

    def look(self, title: str, y: Float) -> Int:
        """Find the odd runs of one figure; returns the places of the others."""
        gap = _gaps(y)
        # half the variance of a difference is that of a value; changes of level are few
        scatter = MAD_SCALE * mad(np.diff(y)) / math.sqrt(2)
        far = np.abs(gap) > max(ODD_MADS * scatter, math.log1p(ODD_SHARE))
        for k in map(int, np.flatnonzero(far)):
            self.figures.setdefault(k, []).append(title)
            self.percent.setdefault(k, 100 * math.expm1(float(gap[k])))
        kept = np.flatnonzero(~far)
        return kept if len(kept) >= LEAST_RUNS else np.arange(len(y))

    def all(self) -> tuple[Odd, ...]:
        made = [
            Odd(self.entries[k].name, self.entries[k].facts.name, self.entries[k].facts.version,
                tuple(figures), self.percent[k])
            for k, figures in self.figures.items()
        ]  # fmt: skip
        return tuple(sorted(made, key=lambda o: (-len(o.figures), -abs(o.percent))))


def season_trends(
    season: Season, query: str | None = None
) -> tuple[list[Trends], list[RobotSpread]]:
    """Trends of every robot of a season, and how the robots spread.

    Entries with unlike phases are kept apart: the most frequent mix of a robot is taken.

    Raises
    ------
    UsageError
        If the season or the query holds no entry.
    """
    listed = season.select(query) if query else season.entries()
    if not listed:
        raise UsageError(f"{season.folder}: holds no entries: begin with `looptime season add LOG`")
    made = [
        trends(entries, [season.load(e.name, histograms=False).values for e in entries])
        for entries in _by_robot(listed)
    ]
    return made, _spread(made)


def _by_robot(listed: Sequence[Listed]) -> list[list[Listed]]:
    by_robot: dict[str | None, list[Listed]] = {}
    for entry in listed:
        by_robot.setdefault(entry.facts.robot, []).append(entry)
    return [_usual_phases(mine) for mine in by_robot.values()]


def _usual_phases(entries: Sequence[Listed]) -> list[Listed]:
    mixes: dict[tuple[str, ...], list[Listed]] = {}
    for entry in entries:
        mixes.setdefault(tuple(name for name, _ in entry.facts.phases), []).append(entry)
    return max(mixes.values(), key=len)


def _spread(made: Sequence[Trends]) -> list[RobotSpread]:
    levels = []
    for at in made:
        by = {t.statistic: np.array(t.values) for t in at.trends if not t.call}
        if "mean" in by and "p99" in by:
            levels.append((at, by["mean"], by["p99"]))
    if not levels:
        return []
    usual = float(np.median([np.median(mean) for _, mean, _ in levels]))
    return [
        RobotSpread(
            at.robot or "not named", len(mean), float(np.median(mean)), float(np.median(p99)),
            _sd_percent(mean), 100 * (float(np.median(mean)) / usual - 1) if usual else 0.0,
        )
        for at, mean, p99 in sorted(levels, key=lambda row: -float(np.median(row[1])))
    ]  # fmt: skip


def _sd_percent(mean: Float) -> float | None:
    if len(mean) < 2 or not (mean > 0).all():
        return None
    return 100 * float(np.log(mean).std(ddof=1))
