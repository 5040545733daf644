"""How long the output stands at its limit, where no gain acts, and what error stays there."""

import numpy as np

from looptime.array_types import Bool, Float
from looptime.controlling.targets import followed, target_of
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.arrays import HUGE

__all__ = ["AtLimit", "at_limit", "newest_at"]

#: Share of the rows below which nothing is said.
LEAST_SHARE = 0.05
#: Values within this share of the output's span stand at its end.
NEAR = 2e-4
#: Fewest different values, and the share of the rows off its ends in which an output that is cut
#: there changes: one of few levels, or of long steps, is set and not cut.
LEAST_LEVELS, LEAST_CHANGING = 10, 0.5
#: Where a target is known, the error that stays is this share of the value's range at least: an
#: output that stands where its target has it stand is not cut.
LEAST_LEFT = 0.02
#: While it is cut the value moves by this share of its own range at least: an output that rests
#: because the value does is not cut.
LEAST_MOVED = 0.05


@dataclass(frozen=True)
class AtLimit:
    """An output that is cut at its limit."""

    share: float  #: Of the rows in which it stands there
    low: float | None  #: The limits at which it stands; None where it does not at that end
    high: float | None
    longest_ms: float  #: The longest stay
    target: str | None = None  #: The target's signal, where the log has one
    #: Mean of target minus measured value in those rows, the way of the output; None without one.
    short: float | None = None
    #: Root of the mean square of the error over all rows [unit]; None without a target.
    rms_error: float | None = None


def at_limit(
    run: Run, output: str, measured: str, target: str | None = None, *, sums: bool = False
) -> AtLimit | None:
    """How long a run's output stands at its limit; None where it does not, or none is told.

    An output is cut where it rests at an end of its span while the measured value moves, though it
    changes from row to row elsewhere.

    Parameters
    ----------
    run : Run
        With both signals.
    output, measured : str
        Names of the signals.
    target : str, optional
        Name of the one that the measured value is to follow; else it is looked for.
    sums : bool
        Whether the controller is known to sum the error: then an output that rests while an error
        stays is cut, too.
    """
    assert run.signals is not None
    values = run.signals.values
    if output not in values or measured not in values:
        return None
    names = [name for name in values if not name.startswith("_")]
    target = target or target_of(names, output, measured)
    time = run.signals.time_ns / 1e6
    given = np.abs(values[output]) < HUGE
    when, out = time[given], values[output][given]
    value = newest_at(time, values[measured], when)
    wanted = None if target is None else newest_at(time, values[target], when)
    if len(out) < 2:
        return None
    way = np.sign(out)
    error = None if wanted is None else wanted - value
    there = _cut(out, value, None if error is None or not sums else way * error)
    if there.mean() < LEAST_SHARE:
        return None
    if error is not None and np.median(np.abs(error[there])) < LEAST_LEFT * np.ptp(value):
        return None
    if target is None:
        beside = {name: newest_at(time, values[name], when) for name in names}
        del beside[output], beside[measured]
        target = followed(beside, value, way * there)
        error = None if target is None else beside[target] - value
    ends = [out[there & (way == sign)] for sign in (-1, 1)]
    low, high = (float(np.median(one)) if len(one) else None for one in ends)
    return AtLimit(
        float(there.mean()), low, high,
        _longest(when, there), target,
        None if error is None else float((way * error)[there].mean()),
        None if error is None else float(np.sqrt((error**2).mean())),
    )  # fmt: skip


def newest_at(time: Float, values: Float, when: Float) -> Float:
    """The newest value at each moment; before the first, that one."""
    seen = np.abs(values) < HUGE
    if not seen.any():
        return np.zeros(len(when))
    place = np.searchsorted(time[seen], when, side="right") - 1
    return np.asarray(values[seen][np.maximum(place, 0)], dtype=np.float64)


def _cut(out: Float, value: Float, short: Float | None) -> Bool:
    """The rows in which an output is cut; what it is short of its target, where that is summed."""
    none = np.zeros(len(out), dtype=bool)
    near = NEAR * float(np.ptp(out))
    if not near or len(np.unique(out)) < LEAST_LEVELS:
        return none
    ends = [(out <= out.min() + near) & (out < 0), (out >= out.max() - near) & (out > 0)]
    off = ~(ends[0] | ends[1]) & (np.abs(out) > near)
    changing = np.flatnonzero(off[1:]) + 1
    if not len(changing) or (out[changing] != out[changing - 1]).mean() < LEAST_CHANGING:
        return none
    for rows in ends:
        rests = np.flatnonzero(rows[1:] & rows[:-1]) + 1
        moved = float(np.ptp(np.quantile(value[rests], [0.01, 0.99]))) if len(rests) else 0.0
        if short is not None and len(rests):
            moved = max(moved, float(np.median(short[rests])))
        if moved >= LEAST_MOVED * np.ptp(value):
            none = none | rows
    return none


def _longest(when: Float, there: Bool) -> float:
    """The longest time of rows that follow each other there [ms]."""
    edges = np.diff(np.concatenate([[0], there.astype(np.int8), [0]]))
    first, after = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    ends = np.append(when, when[-1])[after]
    return float((ends - when[first]).max(initial=0.0))
