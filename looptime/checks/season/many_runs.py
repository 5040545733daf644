"""Any number of runs beside each other: what the loop and each call took, against a baseline."""

import math
from collections.abc import Sequence

import numpy as np

from looptime.checks.compare.sides import phases_alike
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.figures import CallValues, RunValues
from looptime.checks.season.odd import LEAST_RUNS, Odd
from looptime.checks.season.query import in_order
from looptime.checks.season.season import Listed
from looptime.checks.season.trends import trends
from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.stats.student import t_quantile

__all__ = ["Beside", "Line", "Placed", "beside"]

#: Runs from which on their own scatter says what stands out from them.
_LEAST_SCATTER = 3
_WHOLE = ("mean", "p99")


@dataclass(frozen=True)
class Placed:
    """A run as it is handed in."""

    key: str  #: What tells it from the others
    values: RunValues
    baseline: bool = False  #: Whether it is marked as baseline


@dataclass(frozen=True)
class Line:
    """One figure over the runs."""

    name: str  #: ``work mean``, ``period p99`` or a call
    kind: str  #: Of the call; empty for the whole loop
    level_ms: float | None  #: Mean over the runs held against; None where none of them has it
    values_ms: tuple[float | None, ...]  #: Of each run; None where it has none
    percent: tuple[float | None, ...]  #: Of each run against the level
    #: Whether it lies outside the 95 % prediction interval of the runs held against; None where
    #: they are too few to tell, and for these runs themselves.
    beyond: tuple[bool | None, ...]


@dataclass(frozen=True)
class Beside:
    """Runs beside each other, in the order of recording."""

    quantity: str  #: ``work`` or ``period``
    runs: tuple[Placed, ...]
    against: tuple[int, ...]  #: Places of the runs that the others are held against
    against_what: str  #: ``the baseline``, ``version NAME`` or ``the first run``
    lines: tuple[Line, ...]  #: The whole loop, then calls, dearest first
    odd: tuple[Odd, ...]  #: Runs unlike their neighbours, the oddest first
    can_be_odd: bool  #: Whether there are enough runs to tell
    left_out: tuple[str, ...]  #: Runs of other phases, by name

    @property
    def facts(self) -> tuple[Facts, ...]:
        """What is known of each run."""
        return tuple(run.values.facts for run in self.runs)


def beside(runs: Sequence[Placed]) -> Beside:
    r"""Put runs beside each other.

    Held against are the runs marked as baseline, else those of the first run's version where
    others are of another one, else the first run. Where they are three or more, the scatter of
    their logarithms gives a prediction interval for one more run of the same kind,

    .. math:: \bar x \pm t_{0.975, n-1} \, s \sqrt{1 + 1/n},

    (G. Hahn, W. Meeker, *Statistical Intervals*, 1991, chapter 4): of unchanged figures one in
    twenty lies outside it.

    Parameters
    ----------
    runs : sequence of Placed
        In any order. Those whose phases are unlike the most frequent ones are left out.

    Raises
    ------
    UsageError
        If there are none.
    """
    if not runs:
        raise UsageError("there are no runs to put beside each other")
    ordered = in_order((r.values.facts, r.key, r) for r in runs)
    kept, left = _of_like_phases(ordered)
    entries = [Listed(r.key, r.values.facts, {}, r.baseline) for r in kept]
    values = [r.values for r in kept]
    found = trends(entries, values)
    against, what = _held_against(kept)
    lines = [_whole(values, found.quantity, s, against) for s in _WHOLE]
    lines += _calls(values, against)
    return Beside(
        found.quantity, tuple(kept), against, what, tuple(lines), found.odd,
        len(kept) >= LEAST_RUNS, tuple(r.values.facts.name for r in left),
    )  # fmt: skip


def _of_like_phases(runs: Sequence[Placed]) -> tuple[list[Placed], list[Placed]]:
    """The runs that are most alike in their phases, and the others."""

    def like(one: Placed) -> list[Placed]:
        return [r for r in runs if phases_alike(one.values.facts, r.values.facts)]

    kept = max((like(one) for one in runs), key=len)
    return kept, [r for r in runs if r not in kept]


def _held_against(runs: Sequence[Placed]) -> tuple[tuple[int, ...], str]:
    marked = tuple(k for k, r in enumerate(runs) if r.baseline)
    if marked:
        return marked, "the baseline"
    version = runs[0].values.facts.version
    same = tuple(k for k, r in enumerate(runs) if r.values.facts.version == version)
    if version and len(same) < len(runs):
        return same, f"version {version}"
    return (0,), "the first run"


def _whole(
    runs: Sequence[RunValues], quantity: str, statistic: str, against: tuple[int, ...]
) -> Line:
    found = [r.get(statistic, quantity) for r in runs]
    return _line(f"{quantity} {statistic}", "", [None if v is None else v.value for v in found],
                 against)  # fmt: skip


def _calls(runs: Sequence[RunValues], against: tuple[int, ...]) -> list[Line]:
    """Calls on the loop's thread and what no call covers, dearest first."""
    named: dict[tuple[str, str], CallValues] = {}
    for run in runs:
        for call in run.calls:
            if call.on_loop_thread and call.counts:
                named.setdefault(call.key, call)
    made = []
    for key, call in named.items():
        each = [r.call[key].mean.value if key in r.call else None for r in runs]
        made.append(_line(call.name, call.kind, each, against))
    return sorted(made, key=lambda x: -(x.level_ms or max(v or 0.0 for v in x.values_ms)))


def _line(name: str, kind: str, values: Sequence[float | None], against: tuple[int, ...]) -> Line:
    base = [v for k in against if (v := values[k]) is not None]
    level = math.fsum(base) / len(base) if base else None
    percent = tuple(None if v is None or not level else 100 * (v / level - 1) for v in values)
    beyond: list[bool | None] = [None] * len(values)
    if len(base) >= _LEAST_SCATTER and min(base) > 0:
        log, n = np.log(base), len(base)
        half = t_quantile(0.975, n - 1) * float(log.std(ddof=1)) * math.sqrt(1 + 1 / n)
        for k, v in enumerate(values):
            if k not in against and v is not None:
                beyond[k] = v <= 0 or abs(math.log(v) - float(log.mean())) > half
    return Line(name, kind, level, tuple(values), percent, tuple(beyond))
