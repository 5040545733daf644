"""What each call took over the runs of a season: nothing where a run does not make it."""

import math
from collections.abc import Iterator, Sequence

from looptime.checks.compare.like_calls import joined_at, looked_at
from looptime.checks.recording.figures import RunValues

__all__ = ["call_series"]

_Key = tuple[str, str]


def call_series(values: Sequence[RunValues]) -> list[tuple[str, list[float]]]:
    """Names of calls and their mean self time per loop in each run [ms].

    A call of the loop's thread that only some runs make takes 0 in the others, if it matters where
    it is made. Calls that took the place of others are one: renamed, split, read at once, or taken
    out of what another call or no call covered. Calls of other threads stand in all runs.

    Parameters
    ----------
    values : sequence of RunValues
        In the order of recording.
    """
    keys = dict.fromkeys(c.key for run in values for c in run.calls)
    series = {
        key: [run.call[key].mean.value if key in run.call else 0.0 for run in values]
        for key in keys
        if looked_at(key, values)
    }
    for group, into in _joined(values, series):
        parts = [series.pop(key) for key in group]
        series[into] = [math.fsum(at) for at in zip(*parts, strict=True)]
    return [(name, each) for (name, _), each in series.items()]


def _joined(
    values: Sequence[RunValues], series: dict[_Key, list[float]]
) -> Iterator[tuple[list[_Key], _Key]]:
    """Calls that others of the same cost replaced from one run on, and what names them together."""
    left = dict(series)
    for place in range(1, len(values)):
        for group, into in list(joined_at(values, left, place, same_cost=False)):
            yield group, into
            for key in group:
                left.pop(key)
