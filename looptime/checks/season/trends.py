"""A season seen over its runs: trends, changes between versions, the odd run, spread of robots."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from looptime.analysers.estimate import Figure, to_json
from looptime.array_types import Float, Int
from looptime.checks.recording.copies import without_copies
from looptime.checks.recording.figures import RunValues, without_base
from looptime.checks.season.call_series import call_series
from looptime.checks.season.creep import creeps
from looptime.checks.season.level_changes import cuts_of, least_step_percent, p_of_place
from looptime.checks.season.odd import LEAST_RUNS, Odd, odd_runs, odd_together
from looptime.checks.season.season import Listed, Season
from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.schema import SCHEMA_VERSION
from looptime.stats.between_runs import compare_runs
from looptime.stats.multiple import holm
from looptime.stats.student import t_quantile, t_two_sided

__all__ = [
    "LevelChange", "RobotSpread", "Trend", "Trends", "listed_trends", "season_trends", "trends",
]  # fmt: skip

#: Chance that anything at all is said of runs that did not change: shared by all figures, of which
#: the mean has half, and by the three questions asked of each (odd run, step, trend).
_ALPHA, _QUESTIONS = 0.05, 3
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
    percent: Figure  #: The change with its 95 % interval; none of a call that was not there
    p: float  #: Two-sided p-value, times the places where a change could be

    @property
    def with_version(self) -> bool:
        """Whether the code version changed there, too."""
        return self.before_version != self.after_version


@dataclass(frozen=True)
class Trend:
    """One figure over the runs of one robot."""

    statistic: str  #: Of the quantity judged; of a call the mean self time per loop
    call: str  #: Empty for the whole loop
    unit: str  #: ``ms`` or ``1/s``
    values: tuple[float, ...]  #: One a run, in the order of recording
    per_run_percent: Figure  #: Straight trend with its 95 % interval; None with fewer than 6 runs
    #: `p`, `p_holm`: Two-sided p-value of the trend, raw and adjusted over all that is asked.
    p: float | None
    p_holm: float | None
    steps: tuple[LevelChange, ...]
    #: The least change of level, for `SEGMENT` runs and more, that would have been seen.
    seen_step_percent: float | None = None

    @property
    def crept(self) -> bool:
        """Whether it moved along the runs without a step."""
        return self.p_holm is not None and self.p_holm < _ALPHA and not self.steps

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
    #: Runs that are left out as copies of one in `entries`, and that one.
    copies: tuple[tuple[Listed, Listed], ...] = ()

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
            "copies": [{"entry": e.name, "of": of.name} for e, of in self.copies],
        }  # fmt: skip


def trends(entries: Sequence[Listed], values: Sequence[RunValues]) -> Trends:
    """Trends, changes and odd runs of one robot.

    Runs that did not change are accused of anything (an odd run, a step, a trend, in any figure)
    in one season of 20 at most: each figure is asked three questions, and all of them share the
    5 %, of which the mean has half. A straight trend is tested by least squares on the logarithms
    over the place in the order, with Holm's correction; a step as in `cuts_of`; an odd run as in
    `odd_together`. Odd runs are left out of the rest, and copies of a run count as that one run.
    Where the mean stepped, a call stepped with it that differs on the two sides by Student's t at
    5 % over the number of calls.

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
        raise UsageError("there are no runs to see a trend in: looptime season add LOG")
    kept, copies = without_copies(entries, lambda e: e.told_apart)
    by_name = {e.name: v for e, v in zip(entries, values, strict=True)}
    values = [by_name[e.name] for e in kept]
    quantity = _quantity(values)
    made = _over_runs(kept, quantity, _series(values, quantity))
    return replace(made, copies=tuple(copies))


def listed_trends(listed: Sequence[Listed]) -> list[Trends]:
    """As `trends` for each robot, of the whole loop alone: from what a list shows, no file read."""
    made = []
    for every in _by_robot(listed):
        entries, copies = without_copies(every, lambda e: e.told_apart)
        known = all("work.mean" in e.figures for e in entries)
        work = known and any(e.facts.judged == "work" for e in entries)
        quantity = "work" if work else "period"
        keys = [(name, f"{quantity}.{name}") for name in _FIGURES]
        series = [
            (name, "", [e.figures[key] for e in entries])
            for name, key in keys
            if all(key in e.figures for e in entries)
        ]
        made.append(replace(_over_runs(entries, quantity, series), copies=tuple(copies)))
    return made


def _over_runs(
    entries: Sequence[Listed], quantity: str, every: Sequence[tuple[str, str, list[float]]]
) -> Trends:
    facts = [e.facts for e in entries]
    # a call that some runs lack is judged as a part of the loop: nothing has no logarithm
    base = [0.0 if not call or min(series) > 0 else _level(every) for _, call, series in every]
    able = [
        k for k, (_, _, series) in enumerate(every)
        if len(series) >= LEAST_RUNS and min(series) + base[k] > 0 and not _is_constant(series)
    ]  # fmt: skip
    whole = {k: np.array(every[k][2]) + base[k] for k in able}
    # a rate by its period: what is faster lies below, whichever figure says so
    logs = {k: np.log(whole[k]) * (-1 if every[k][0] == "rate" else 1) for k in able}
    share = _shares([(every[k][0], every[k][1]) for k in able])
    alphas = [_ALPHA / _QUESTIONS * v for v in share]
    odd = dict(zip(able, odd_together([logs[k] for k in able], alphas), strict=True))
    found, mean_cuts = [], None
    for k, (statistic, call, series) in enumerate(every):
        unit = "1/s" if statistic == "rate" else "ms"
        level = len(series) >= LEAST_RUNS and _is_constant(series)  # of which nothing is asked
        per_run = Figure(0.0, 0.0, 0.0) if level else Figure()
        at = Trend(statistic, call, unit, tuple(series), per_run, None, None, ())
        if k in logs:
            seen = _Figure(entries, np.log(whole[k]), odd[k], alphas[able.index(k)], base[k])
            if statistic == "mean" and not call:
                mean_cuts = seen.cut_runs
            elif mean_cuts:
                seen.cut_as(mean_cuts, _ALPHA / len(able))
            at = seen.told(at)
        found.append(at)
    return Trends(
        facts[0].robot, quantity, tuple(entries), all(f.time for f in facts),
        _adjusted(found, share), odd_runs(entries, [
            (statistic, call, [v + b for v in series] if b else series)
            for (statistic, call, series), b in zip(every, base, strict=True)
        ], logs, odd, base),
    )  # fmt: skip


def _is_constant(series: Sequence[float]) -> bool:
    return max(series) - min(series) <= 1e-12 * max(map(abs, series))


def _level(every: Sequence[tuple[str, str, list[float]]]) -> float:
    """The usual mean of the loop [ms]; 0 where it is not known."""
    return next((float(np.median(s)) for name, call, s in every if (name, call) == ("mean", "")), 0)


def _shares(figures: Sequence[tuple[str, str]]) -> list[float]:
    """Share of the chance of a false word that each figure has: the mean half, the others alike."""
    others = sum(1 for at in figures if at != ("mean", ""))
    weight = [max(others, 1) if at == ("mean", "") else 1 for at in figures]
    return [w / sum(weight) for w in weight]


class _Figure:
    """Looks for steps and a trend in one figure, odd runs left out."""

    def __init__(
        self, entries: Sequence[Listed], y: Float, odd: Int, alpha: float, base: float
    ) -> None:
        self.base, self.alpha = base, alpha
        kept = np.setdiff1d(np.arange(len(y)), odd)
        self.kept = kept if len(kept) >= LEAST_RUNS else np.arange(len(y))
        self.y = y[self.kept]
        self.entries = [entries[int(k)] for k in self.kept]
        self.cuts = cuts_of(self.y, alpha)
        if len(self.cuts) > 2 and creeps(self.kept, self.y, self.cuts):
            self.cuts = [0, len(self.kept)]

    @property
    def cut_runs(self) -> list[int]:
        """The places of the runs from which on the level is another."""
        return [int(self.kept[k]) for k in self.cuts[1:-1]]

    def cut_as(self, runs: Sequence[int], alpha: float) -> None:
        """Take the mean's steps where this figure has none of its own and differs there."""
        if len(self.cuts) > 2:
            return
        for run in runs:
            at = int(np.searchsorted(self.kept, run))
            if min(at, len(self.y) - at) >= 2 and compare_runs(self.y[:at], self.y[at:]).p < alpha:
                self.cuts = [0, at, len(self.y)]
                return

    def told(self, at: Trend) -> Trend:
        """The figure with what was seen in it."""
        slope, p = _slope(self.kept.astype(np.float64), self.y)
        slope = _of_itself(slope, math.exp(float(self.y.mean())), self.base)
        steps = tuple(
            _step(self.entries, self.y, self.cuts, k, self.base)
            for k in range(1, len(self.cuts) - 1)
        )
        seen = None if self.base else least_step_percent(self.y, self.alpha)
        return replace(at, per_run_percent=slope, p=p, steps=steps, seen_step_percent=seen)


def _quantity(values: Sequence[RunValues]) -> str:
    known = all(("work", "mean") in r.by_name for r in values)
    return "work" if known and any(r.facts.judged == "work" for r in values) else "period"


def _series(values: Sequence[RunValues], quantity: str) -> list[tuple[str, str, list[float]]]:
    out = []
    for statistic in _FIGURES:
        found = [r.get(statistic, quantity) for r in values]
        out.append((statistic, "", [v.value for v in found if v is not None]))
    out += [("mean", name, each) for name, each in call_series(values)]
    return [row for row in out if len(row[2]) == len(values)]


def _of_itself(percent: Figure, level: float, base: float) -> Figure:
    """A change of base and call together as a change of the call; none of a call that is none."""
    own = without_base(level, base)
    if not base:
        return percent
    if not own:
        return Figure()
    ends = (percent.value, percent.low, percent.high)
    return Figure(*(None if v is None else v * level / own for v in ends))


def _step(entries: Sequence[Listed], y: Float, cuts: list[int], k: int, base: float) -> LevelChange:
    a, b = y[cuts[k - 1] : cuts[k]], y[cuts[k] : cuts[k + 1]]
    found = compare_runs(a, b)
    before, after = entries[cuts[k] - 1], entries[cuts[k]]
    old, new = (without_base(math.exp(float(side.mean())), base) for side in (a, b))
    return LevelChange(
        before.name, after.name, before.facts.version, after.facts.version,
        old, new,
        _of_itself(Figure(found.percent, *found.percent_interval), math.exp(float(a.mean())), base),
        p_of_place(y, cuts, k),
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


def _adjusted(found: Sequence[Trend], share: Sequence[float]) -> tuple[Trend, ...]:
    p = holm([t.p for t in found if t.p is not None], share)
    adjusted = iter(np.minimum(_QUESTIONS * p, 1.0))
    return tuple(t if t.p is None else replace(t, p_holm=float(next(adjusted))) for t in found)


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
        held = "no entries that can be read" if season.damaged else "no entries"
        raise UsageError(f"{season.folder}: holds {held}: begin with looptime season add LOG")
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
