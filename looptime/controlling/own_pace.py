"""Whether a controller runs in some of the loops only: its output then changes in no others."""

from dataclasses import replace

import numpy as np

from looptime.analysers.freshness import holds
from looptime.array_types import Float
from looptime.heading.pattern import Sampling, blocks_of
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["OwnPace", "in_its_loops", "own_pace"]

#: Fewest changes that tell, and fewest values: few long steps are a test of the mechanism, made by
#: hand or by code that runs in each loop; most rows from turn to turn for the same reason.
_CHANGES, _LEVELS, _MOST = 20, 10, 10
#: Share of the holds that are whole multiples of the usual one, and of
#: those that are it itself.
_WHOLE, _USUAL = 0.95, 0.4


@dataclass(frozen=True)
class OwnPace:
    """A controller that runs in every so many rows of its log."""

    every: int  #: Rows from one turn to the next
    first: int  #: The first row in which it takes its turn
    hz: float  #: Turns a second
    loop_hz: float  #: Rows a second


def own_pace(run: Run, output: str) -> OwnPace | None:
    """In which rows the output changes, if it does in every second, third, ... one alone.

    Parameters
    ----------
    run : Run
        With signals.
    output : str
        The controller's output among them.

    Examples
    --------
    >>> from looptime.run import LoopColumns, Run, Signals
    >>> at = np.arange(400) * 10_000_000
    >>> held = {"duty": np.repeat(np.sin(np.arange(100.0)), 4)}
    >>> loops = LoopColumns(np.arange(400), at, np.full(400, 10_000_000))
    >>> found = own_pace(Run(loops, signals=Signals(at, np.arange(400), held)), "duty")
    >>> found.every, round(found.hz, 3), round(found.loop_hz, 3)
    (4, 25.0, 100.0)
    """
    if run.signals is None or output not in run.signals.values:
        return None
    value: Float = run.signals.values[output]
    if not np.isfinite(value).all() or len(value) < 2:
        return None
    lengths = holds(value, run.signals.time_ns)[0][1:-1]  # both ends are cut
    if len(lengths) < _CHANGES or len(np.unique(value)) < _LEVELS:
        return None
    every = int(np.bincount(lengths).argmax())
    whole = float(np.mean(lengths % every == 0))
    if not 2 <= every <= _MOST or whole < _WHOLE or float(np.mean(lengths == every)) < _USUAL:
        return None
    changed = np.flatnonzero(np.diff(value) != 0) + 1
    first = int(np.bincount(changed % every, minlength=every).argmax())
    span = float(run.signals.time_ns[-1] - run.signals.time_ns[0]) / 1e9
    loop_hz = (len(value) - 1) / span if span > 0 else 0.0
    return OwnPace(every, first, loop_hz / every, loop_hz)


def in_its_loops(at: Sampling, run: Run, pace: OwnPace | None) -> Sampling:
    """The sampling of the loops in which a controller takes its turn: its output holds till then.

    Parameters
    ----------
    at : Sampling
        Of every loop of the run.
    run : Run
        With the rows that the pace counts.
    pace : OwnPace or None
        None where it runs in every loop.
    """
    if pace is None or run.signals is None:
        return at
    turns = run.signals.time_ns[pace.first :: pace.every] - run.loop_columns.start_ns[0]
    half = 0.5 * float(np.median(np.diff(at.start_s)))
    kept = np.searchsorted(at.start_s, turns / 1e9 - half)
    kept = np.unique(kept[kept < len(at.start_s)])
    if len(kept) < 3:
        return at
    each = at.work.work_s  # from turn to turn the loop does it in each of its passes
    work = replace(at.work, work_s=None if each is None else pace.every * each)
    return replace(
        at, taken_s=at.taken_s[kept], read_s=at.read_s[kept], use_s=at.use_s[kept],
        start_s=at.start_s[kept], block=blocks_of(len(kept) - 1), work=work,
    )  # fmt: skip
