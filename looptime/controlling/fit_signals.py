"""The signals that a fit names, as one run of plain numbers: angles go on where they began anew."""

import math
from dataclasses import replace

import numpy as np

from looptime.array_types import Float
from looptime.controlling.fit import signal_key, signal_named
from looptime.controlling.targets import target_of
from looptime.records import dataclass
from looptime.run import Run
from looptime.stats.whole_turns import suspected, turn_of, unwound

__all__ = ["FitSignals", "fit_signals"]

#: A value that goes on beyond so many turns does not begin anew.
BEYOND = 1.05
#: What turns are called.
_CALLED = {2 * math.pi: "2 pi"}


@dataclass(frozen=True)
class FitSignals:
    """What a fit is made of."""

    run: Run  #: With the signals under the names that were asked for, angles without their jumps
    names: tuple[str, ...]  #: Output, measured value and, where it is known, target
    wraps: float | None = None  #: By how much the measured value jumps where it begins anew
    #: Said of it: that its jumps are undone though nobody said so, or that it may jump.
    text: str = ""


def fit_signals(
    run: Run, fit: tuple[str, ...], wraps: float | None = None, kind: str | None = None
) -> FitSignals:
    """The signals that a fit names, with angles that go on where they began anew.

    Parameters
    ----------
    run : Run
        With signals.
    fit : (str, str) or (str, str, str)
        Output, measured value and maybe the target, as they are called in the run or its log.
    wraps : float, optional [unit]
        Where the measured value begins anew; else its own jumps say so.
    kind : str, optional
        A ``speed`` is no angle.

    Raises
    ------
    UsageError
        If the run has no such signal.

    Examples
    --------
    >>> from looptime.run import LoopColumns, Run, Signals
    >>> at = np.arange(100) * 20_000_000
    >>> held = {"u": np.ones(100), "a": 9.0 * np.arange(100) % 360}
    >>> loops = LoopColumns(np.arange(100), at, np.full(100, 20_000_000))
    >>> made = fit_signals(Run(loops, signals=Signals(at, np.arange(100), held)), ("u", "a"))
    >>> made.wraps, float(made.run.signals.values["a"][-1])
    (360.0, 891.0)
    """
    values = {name: signal_named(run, name) for name in fit}
    assert run.signals is not None
    renamed = {signal_key(run, name) for name in fit}
    values |= {name: x for name, x in run.signals.values.items() if name not in renamed}
    output, measured = fit[:2]
    target = fit[2] if len(fit) > 2 else target_of(list(values), output, measured)
    value = values[measured]
    turn = wraps or (None if kind == "speed" else turn_of(value))
    values[measured] = unwound(value, turn)
    if target is not None:
        values[target] = _beside(values[target], values[measured], turn)
    text = ""
    if turn is not None and wraps is None:
        text = (f"jumps of {measured} by {_CALLED.get(turn, f'{turn:.4g}')}, where it begins anew, "
                "are undone")  # fmt: skip
    elif turn is None and kind != "speed" and (jump := suspected(value)) is not None:
        text = (
            f"{measured} steps by up to {jump:.3g}, nearly all of its range, from row to row: if "
            "it is an angle that begins anew there, say by how much with --wraps"
        )
    names = (output, measured) if target is None else (output, measured, target)
    made = replace(run, signals=replace(run.signals, values=values))
    return FitSignals(made, names, turn, text)


def _beside(target: Float, value: Float, turn: float | None) -> Float:
    """A target by the shorter way from an angle; each stays on the grid of its turns."""
    if turn is None:
        turn = turn_of(target)
        there = value[np.isfinite(value)]
        if turn is None or not len(there) or np.ptp(there) <= BEYOND * turn:
            return target
    known = np.isfinite(value)
    if not known.any():
        return target
    newest = np.maximum.accumulate(np.where(known, np.arange(len(value)), 0))
    held = np.where(known[newest], value[newest], value[np.argmax(known)])
    with np.errstate(invalid="ignore"):
        return target + turn * np.round((held - target) / turn)
