"""From named calls to the instants at which a controller's value was read and put to use."""

from fnmatch import fnmatchcase

import numpy as np

from looptime.analysers.basis import Basis
from looptime.heading.instants import Labels, sampling_from_run
from looptime.heading.pattern import Sampling
from looptime.run import Run
from looptime.stats.quantiles import quantiles

__all__ = ["call_in", "instants_of", "on_change"]

#: How a plan names the call that takes the place of several.
_BATCH = "batch "
#: Distances between writes that tell, and the share of them that may leave loops out.
_FEWEST, _SELDOM = 20, 0.1


def call_in(run: Run, stated: str | None) -> str | None:
    """The call that a log has for a stated one.

    Names may be separated by ``|``: the first that the log has is meant, so that one project file
    serves logs from before and after a change. In a predicted run it is the batch that it went
    into.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> call_in(Run(LoopColumns(np.arange(1), np.array([0]), np.array([1]))), "a.read")
    'a.read'
    """
    if stated is None:
        return None
    have = [run.names[code].name for code in np.flatnonzero(np.bincount(run.call_columns.name))]
    names = [word.strip() for word in stated.split("|")]
    for name in names:
        if name in have:
            return name
    for name in names:
        for call in have:
            if call.startswith(_BATCH) and fnmatchcase(name, call.removeprefix(_BATCH)):
                return call
    return names[0]


def on_change(run: Run, at: Sampling) -> bool:
    """Whether a value is put to use in some loops only, as one that is written when it changes.

    Every third loop, or each time so many ms have gone by, is even; this is not.
    """
    start = np.cumsum(run.loop_columns.period_ns.astype(np.int64)) / 1e9
    gaps = np.diff(np.searchsorted(start, at.start_s, side="right"))
    gaps = gaps[gaps > 0]
    if len(gaps) < _FEWEST or (gaps > 1).mean() <= _SELDOM:
        return False
    few, many = quantiles(gaps, [0.1, 0.9])
    return bool(many >= 2 * few)


def instants_of(
    run: Run, read_call: str | None, write_call: str | None, what: str = "measured value",
    value: str | None = None, basis: Basis | None = None,
) -> Sampling:  # fmt: skip
    """When each loop's reading was taken and put to use, as for a heading.

    Without a read call the loop's start stands for it, or the own stamp of the signal `value`;
    without a write call the loop's last actuator write does.

    Raises
    ------
    UsageError
        If a named call is not in the log.
    NotEnoughError
        If fewer than 3 loops have both.
    """
    named = (call_in(run, read_call), None, call_in(run, write_call))
    return sampling_from_run(run, Labels(*named, "start", what, value=value), basis)
