"""Controllers that a log's signals speak of: which are theirs, and the pace of each."""

import re

import numpy as np

from looptime.records import dataclass
from looptime.run import LoopColumns, Run
from looptime.signal_names import TARGET_WORDS
from looptime.stats.arrays import HUGE, median

__all__ = ["Logged", "at_its_pace", "logged_controllers"]

_WORDS = re.compile(r"[^A-Za-z0-9]+")
_OUTPUT = frozenset(("output", "out", "effort", "duty", "volts", "voltage", "pwm", "u"))
_MEASURED = frozenset(("measured", "measurement", "speed", "velocity", "position", "angle", "rpm",
                       "actual", "process", "feedback", "pv", "is", "ist", "meas",
                       "pos"))  # fmt: skip
#: Share of the loops below which a signal that comes in fewer keeps a pace of its own.
_OWN_PACE, _FEWEST = 0.7, 20


@dataclass(frozen=True)
class Logged:
    """The signals of one controller."""

    name: str
    output: str
    measured: str
    every_ms: float | None  #: Median time from value to value


def logged_controllers(run: Run) -> tuple[Logged, ...]:
    """Controllers whose output and measured value are signals whose names begin alike.

    Examples
    --------
    >>> from looptime.run import Signals
    >>> at = np.arange(3) * 20_000_000
    >>> held = {name: np.arange(3.0) for name in ("mast.output_v", "mast.goal", "mast.angle")}
    >>> loops = LoopColumns(np.arange(3), at, np.full(3, 20_000_000))
    >>> run = Run(loops, signals=Signals(at, np.arange(3), held))
    >>> [(c.name, c.output, c.measured, c.every_ms) for c in logged_controllers(run)]
    [('mast', 'mast.output_v', 'mast.angle', 20.0)]
    """
    if run.signals is None:
        return ()
    groups: dict[str, dict[str, list[str]]] = {}
    for name in run.signals.values:
        first, *rest = [word for word in _WORDS.split(name.lower()) if word] or [""]
        words = set(rest)
        role = ("" if words & TARGET_WORDS else "output" if words & _OUTPUT else
                "measured" if words & _MEASURED else "")  # fmt: skip
        if role:
            groups.setdefault(first, {}).setdefault(role, []).append(name)
    return tuple(
        Logged(first, own["output"][0], own["measured"][0], _pace(run, own["measured"][0]))
        for first, own in groups.items()
        if len(own.get("output", ())) == len(own.get("measured", ())) == 1
    )


def _pace(run: Run, name: str) -> float | None:
    assert run.signals is not None
    there = np.abs(run.signals.values[name]) < HUGE
    step = np.diff(run.signals.time_ns[there])
    return median(step) / 1e6 if len(step) else None


def at_its_pace(run: Run, measured: str) -> Run:
    """The loops of a controller that is logged in some of the log's loops only; else the run.

    Each of its values begins one: what ran in between is another controller's.
    """
    if run.signals is None or measured not in run.signals.values or len(run.call_columns):
        return run
    there = np.abs(run.signals.values[measured]) < HUGE
    time = run.signals.time_ns[there]
    if not _FEWEST <= len(time) < _OWN_PACE * len(run) or (np.diff(time) <= 0).any():
        return run
    step = np.diff(time)
    return Run(LoopColumns(np.arange(len(step)), time[:-1], step), source=run.source)
