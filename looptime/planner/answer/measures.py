"""The figures of a run that a plan is judged by: recorded or predicted, they are taken alike."""

import math
from dataclasses import field

import numpy as np

from looptime.analysers.pacing_waits import find_waits
from looptime.array_types import Float, Int
from looptime.planner.answer.reading_age import Ages, ages_at_first_use
from looptime.project import Heading
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.jackknife import BATCHES, STRETCHES, jackknife, wander

__all__ = ["FEWEST", "Measures", "Number", "measure", "work_ms"]

#: Loops that a plan needs: each of the batches holds two.
FEWEST = 2 * BATCHES
#: Share of a quantile from which on its standard error may be that of a cliff, if the one that its
#: share gives differs from it by more than such a factor.
_WIDE, _ALIKE = 0.05, 3.0
#: Standard errors of a share by which that of a run to come differs from it at most.
_OFF = 2.5
_STATISTICS = ("mean", "p50", "p90", "p99")


@dataclass(frozen=True)
class Number:
    """A value and its standard error within the run; None where there is none."""

    value: float | None
    se: float | None = None
    #: What a run to come differs by besides, standard deviation; see `looptime.stats.jackknife`.
    wander: float = 0.0
    #: What it lies between in a run to come, where its standard error is not to be relied on.
    bounds: tuple[float, float] | None = None


@dataclass(frozen=True)
class Measures:
    """Figures of one run."""

    #: `mean`, `p50`, `p90`, `p99`; `work_ms` is empty where nothing waits for a pace.
    period_ms: dict[str, Number]
    work_ms: dict[str, Number] = field(default_factory=dict)
    #: Share of loops, and of time, above the budget; None without a budget.
    overrun_share: Number | None = None
    overrun_time_share: Number | None = None
    #: `calls_per_loop`, `self_ms_per_loop` (None for other threads) and `mean_ms`, dict of (name,
    #: thread) to dict of str to Number.
    calls: dict[tuple[str, str], dict[str, Number]] = field(default_factory=dict)
    #: Reading age at first use [ms]: `mean`, `p95`, `max` by call.
    ages: dict[str, dict[str, Number]] = field(default_factory=dict)
    #: `utilisation` and `wait_ms_per_loop`.
    bus: dict[str, dict[str, Number]] = field(default_factory=dict)


def measure(
    run: Run,
    *,
    budget_ms: float | None = None,
    wait_ns: dict[str, int] | None = None,
    stated: Heading | None = None,
    full: bool = True,
) -> Measures:
    """Take the figures of a run.

    Parameters
    ----------
    run : Run
        At least `FEWEST` loops.
    budget_ms : float, optional [ms]
        Period above which a loop overruns.
    wait_ns : dict of str to int, optional [ns]
        Time that the loop's thread waited for each bus; taken off what the bus was in use.
    stated : Heading, optional
        The calls that read, pick up and use the heading, and when a call's reading is taken.
    full : bool
        Whether calls, ages and buses are wanted too.
    """
    period = run.loop_columns.period_ns / 1e6
    made = Measures(_numbers(period), _work(run, period))
    if budget_ms is not None:
        over = period > budget_ms
        share = _batched(over.astype(float))
        time = _ratio(np.where(over, period, 0.0), period)
        made = Measures(made.period_ms, made.work_ms, share, time)
    if not full:
        return made
    return Measures(
        made.period_ms, made.work_ms, made.overrun_share, made.overrun_time_share,
        _calls(run), _ages(run, stated), _buses(run, wait_ns or {}),
    )  # fmt: skip


def _numbers(values: Float) -> dict[str, Number]:
    found = jackknife(values, _STATISTICS)
    made = {
        name: Number(found[name].value, found[name].se, found[name].wander) for name in _STATISTICS
    }
    return {name: number if name == "mean" else _at_a_cliff(values, int(name[1:]) / 100, number)
            for name, number in made.items()}  # fmt: skip


def _at_a_cliff(values: Float, share: float, quantile: Number) -> Number:
    """A quantile, with the values between which it lies in a run to come if it is at a cliff.

    Between two plateaus, as those of loops that skip a tick, the jackknife of a quantile is nought
    or without bound; the share of loops up to it is a mean (Woodruff, JASA 47, 1952).
    """
    at, se = quantile.value or 0.0, quantile.se or 0.0
    below = _batched((values <= at).astype(float))
    off = _OFF * math.hypot(below.se or 0.0, below.wander)
    ranks = np.clip(np.rint(len(values) * np.array([share - off, share + off])), 1, len(values))
    places = ranks.astype(np.int64) - 1
    low, high = np.partition(values, places)[places]
    spread = abs(high - low) / (2 * _OFF)
    se = math.hypot(se, quantile.wander)
    if max(se, spread) < _WIDE * at or spread / _ALIKE <= se <= _ALIKE * spread:
        return quantile
    return Number(at, se, bounds=(float(low), float(high)))


def work_ms(run: Run) -> float:
    """Mean work of a loop [ms]: all but its wait, which is a call or lies outside its row."""
    wait = find_waits(run, run.self_pieces()).wait_ns
    period = run.loop_columns.period_ns
    return float((period if wait is None else period - wait).mean()) / 1e6


def _work(run: Run, period: Float) -> dict[str, Number]:
    """Figures of the work, where a pacing wait is logged: as a call, or outside the loop's row."""
    wait = find_waits(run, run.self_pieces()).wait_ns
    return {} if wait is None else _numbers(period - wait / 1e6)


def _batched(values: Float) -> Number:
    """Mean and its standard error from contiguous batches."""
    length = len(values) // BATCHES
    means = values[len(values) - length * BATCHES :].reshape(BATCHES, -1).mean(axis=1)
    return _of_batches(float(values.mean()), means)


def _of_batches(mean: float, means: Float) -> Number:
    se = float(means.std(ddof=1)) / math.sqrt(BATCHES)
    return Number(mean, se, wander(means, means.reshape(STRETCHES, -1).mean(axis=1)))


def _ratio(part: Float, whole: Float) -> Number:
    total = float(whole.sum())
    share = float(part.sum()) / total if total else 0.0
    off, mean = _batched(part - share * whole), float(whole.mean())
    return Number(share, (off.se or 0.0) / mean, off.wander / mean) if total else Number(share, 0.0)


def _calls(run: Run) -> dict[tuple[str, str], dict[str, Number]]:
    """Cost of each call: on the loop's thread its self time, elsewhere how often and how long."""
    calls, n = run.call_columns, len(run)
    made: dict[tuple[str, str], dict[str, Number]] = {}
    if not len(calls):
        return made
    key = calls.thread.astype(np.int64) * len(run.names) + calls.name
    size = len(run.names) * len(run.thread_names)
    count = np.bincount(key, minlength=size)
    total = np.bincount(key, weights=calls.duration_ns, minlength=size)
    own = _self_by_name(run)
    for k in np.flatnonzero(count).tolist():
        thread, code = divmod(k, len(run.names))
        loop_thread = thread == run.loop_thread
        made[run.names[code].name, run.thread_names[thread]] = {
            "calls_per_loop": Number(count[k] / n),
            "self_ms_per_loop": own[code] if loop_thread else Number(None),
            "mean_ms": Number(total[k] / count[k] / 1e6),
        }
    return made


def _self_by_name(run: Run) -> list[Number]:
    """Mean self time a loop of each name on the loop's thread [ms]."""
    pieces, n = run.self_pieces(), len(run)
    length = n // BATCHES
    batch = np.maximum(pieces.loop - (n - length * BATCHES), 0) // length
    names = len(run.names)
    table = np.bincount(
        batch * names + pieces.name, weights=pieces.self_ns, minlength=BATCHES * names
    ).reshape(BATCHES, names)
    whole = table.sum(axis=0) / n / 1e6
    return [_of_batches(float(mean), own / length / 1e6)
            for mean, own in zip(whole, table.T, strict=True)]  # fmt: skip


def _ages(run: Run, stated: Heading | None) -> dict[str, dict[str, Number]]:
    made = {}
    for name, age in ages_at_first_use(run, stated).items():
        at = Ages.of(age)
        found = jackknife(age / 1e6, ("mean", "p95")) if len(age) >= FEWEST else {}
        made[name] = {
            k: Number(v, found[k].se, found[k].wander) if k in found else Number(v)
            for k, v in (("mean", at.mean), ("p95", at.p95), ("max", at.max))
        }
    return made


def _buses(run: Run, wait_ns: dict[str, int]) -> dict[str, dict[str, Number]]:
    """How much of the time each bus is in use, and how long the loop waits for it."""
    calls = run.call_columns
    names = sorted({call.bus for call in run.names if call.bus is not None})
    code = {bus: i for i, bus in enumerate(names)}
    bus = np.array([-1 if c.bus is None else code[c.bus] for c in run.names], np.int64)
    total = run.duration_s * 1e9
    made = {}
    on = bus[calls.name] if len(calls) else np.empty(0, np.int64)
    for name, i in code.items():
        mine = on == i
        if not mine.any():
            continue
        busy = _union(calls.start_ns[mine], calls.duration_ns[mine])
        made[name] = {
            "utilisation": Number(min(busy / total, 1.0) if total else None),
            "wait_ms_per_loop": Number(wait_ns.get(name, 0) / len(run) / 1e6),
        }
    return made


def _union(start: Int, duration: Int) -> float:
    """Time covered by at least one of several stretches [ns].

    Examples
    --------
    >>> _union(np.array([0, 5, 20]), np.array([10, 10, 1]))
    16.0
    """
    order = np.argsort(start, kind="stable")
    begin, end = start[order], (start + duration)[order]
    reached = np.append(begin[0], np.maximum.accumulate(end)[:-1])
    return float(np.maximum(end - np.maximum(begin, reached), 0).sum())
