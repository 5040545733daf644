"""What each call took over the runs of a season: nothing where a run does not make it."""

import math
from collections.abc import Iterator, Sequence

from looptime.checks.compare.replaced import SAME_COST, replaced
from looptime.checks.compare.sides import Judged
from looptime.checks.recording.figures import CallValues, RunValues

__all__ = ["LEAST_SHARE", "call_series"]

#: Share of the loop from which on a call that some runs lack is looked at.
LEAST_SHARE = 0.005

_Key = tuple[str, str]


def call_series(values: Sequence[RunValues]) -> list[tuple[str, list[float]]]:
    """Names of calls and their mean self time per loop in each run [ms].

    A call of the loop's thread that only some runs make takes 0 in the others, if it matters where
    it is made. Calls that took the place of others at the same cost are one: renamed, split, or
    taken out of what another call or no call covered. Calls of other threads stand in all runs.

    Parameters
    ----------
    values : sequence of RunValues
        In the order of recording.
    """
    keys = dict.fromkeys(c.key for run in values for c in run.calls)
    series = {
        key: [run.call[key].mean.value if key in run.call else 0.0 for run in values]
        for key in keys
        if _looked_at([run.call[key] for run in values if key in run.call], values)
    }
    for old, new in _joined(values, series):
        parts = [series.pop(key) for key in (*old, *new) if key in series]
        series[new[-1]] = [math.fsum(at) for at in zip(*parts, strict=True)]
    return [(name, each) for (name, _), each in series.items()]


def _looked_at(calls: Sequence[CallValues], values: Sequence[RunValues]) -> bool:
    if len(calls) == len(values):
        return all(c.counts or not c.on_loop_thread for c in calls)
    loop = math.fsum(_loop_ms(run) for run in values) / len(values)
    mean = math.fsum(c.mean.value for c in calls) / len(calls)
    return all(c.counts and c.on_loop_thread for c in calls) and mean >= LEAST_SHARE * loop


def _loop_ms(run: RunValues) -> float:
    return run.by_name["period", "mean"].value


def _joined(
    values: Sequence[RunValues], series: dict[_Key, list[float]]
) -> Iterator[tuple[list[_Key], list[_Key]]]:
    """Calls that others of the same cost replaced from one run on: those gone and those that came.

    The last of those that came names both together.
    """
    left = dict(series)
    for place in range(1, len(values)):
        came = [k for k, s in left.items() if not any(s[:place]) and all(s[place:])]
        gone = [k for k, s in left.items() if all(s[:place]) and not any(s[place:])]
        if not came and not gone:
            continue
        sides = [[Judged(run, None, run.facts.duration_s) for run in part]
                 for part in (values[:place], values[place:])]  # fmt: skip
        for r in replaced(*sides):
            same = abs(r.after_ms - r.before_ms) <= SAME_COST * r.before_ms
            old, new = ([(name, "") for name in names] for names in (r.before, r.after))
            if same and set(old) <= set(gone) and set(new) <= set(came) and old and new:
                yield old, new
                for key in (*old, *new):
                    left.pop(key)
        for group in ([k for k in came if k in left], [k for k in gone if k in left]):
            other = _beside(left, group, place)
            if other is not None:
                yield group, [other]
                for key in (*group, other):
                    left.pop(key)


def _beside(left: dict[_Key, list[float]], group: Sequence[_Key], place: int) -> _Key | None:
    """The one call that changed by as much the other way, as where a part of it is timed anew."""
    moved = {key: _moved(s, place) for key, s in left.items()}
    whole = math.fsum(moved[key] for key in group)
    fits = [k for k, s in left.items() if k not in group and all(s)
            and abs(moved[k] + whole) <= SAME_COST * abs(whole)]  # fmt: skip
    return fits[0] if group and len(fits) == 1 else None


def _moved(series: Sequence[float], place: int) -> float:
    before, after = series[:place], series[place:]
    return math.fsum(after) / len(after) - math.fsum(before) / len(before)
