"""How a measured value swings under its controller, whose swing it is, or why none is told."""

import math
from dataclasses import replace
from functools import cached_property

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.array_types import Float
from looptime.controlling.fit import Fit
from looptime.controlling.fit_signals import FitSignals
from looptime.controlling.oscillation import Oscillation, oscillation
from looptime.controlling.steady_swing import (
    LEAST_CYCLE,
    LEAST_CYCLES,
    SHORTEST,
    Steady,
    steady_swing,
)
from looptime.words import number

__all__ = ["GROWS", "Swings"]

#: A mechanism that its output moves by less than this share of what is seen is shaken by something
#: else, and frequencies that differ by less are one swing's.
SHAKEN, SAME = 0.3, 0.15
#: Share of the value's variance above which the fit rests on the swing itself and can't judge it.
MOSTLY = 0.5
#: A swing grows, or dies away, whose amplitude changes by more than this factor.
GROWS = 1.2


class Swings:
    """How the measured value of a fit swings: each look at it is taken once.

    Parameters
    ----------
    asked : FitSignals
        Output, measured value and maybe its target.
    """

    def __init__(self, asked: FitSignals) -> None:
        self.names = asked.names
        self.rows = _rows(asked)

    @cached_property
    def rested(self) -> Oscillation | None:
        """As it swings while its output or its target rests."""
        return oscillation(*self.rows)

    @cached_property
    def line(self) -> Steady | None:
        """As it swings on and on."""
        return steady_swing(*self.rows)

    def told(self, fit: Fit | None) -> tuple[Oscillation | None, str | None]:
        """How it swings, or why no swing is told.

        Parameters
        ----------
        fit : Fit, optional
            The mechanism between them: where it is told, the output's own swing says how far the
            value would swing by it.
        """
        time, value, _, target = self.rows
        measured, rested = self.names[1], self.rested
        if len(time) < SHORTEST:
            return None, (f"no swing can be told: {len(time)} rows are too few, {SHORTEST} at least"
                          " are needed")  # fmt: skip
        if not np.ptp(value) > 0:
            return None, f"no swing can be told: {measured} never changes"
        if rested is not None and rested.of == "mechanism":
            return rested, None
        if (line := self.line) is None:
            none = None, _none_seen(time, measured, target)
            return none if rested is None else (rested, None)
        ratio = _driven(line, fit)
        if not line.takes_part or (ratio is not None and ratio < SHAKEN):
            return None, _shaken(line, self.names, ratio)
        found = _of_line(line) if rested is None or not _same(rested, line) else rested
        known = ratio is not None and line.amplitude**2 / 2 < MOSTLY * float(np.var(value))
        return replace(
            found, in_loop=True if known else None, begin_s=line.begin_s, end_s=line.end_s
        ), None


def _rows(asked: FitSignals) -> tuple[Float, Float, Float, Float | None]:
    """The rows that hold all of them: time [s], value, output, target."""
    signals = asked.run.signals
    assert signals is not None
    output, *others = (signals.values[name] for name in asked.names)
    known = np.isfinite([output, *others]).all(axis=0)
    value, *wanted = (one[known] for one in others)
    time = (signals.time_ns[known] - asked.run.loop_columns.start_ns[0]) / 1e9
    return time, value, output[known], wanted[0] if wanted else None


def _same(rested: Oscillation, line: Steady) -> bool:
    a, b = rested.frequency_hz.value, line.frequency_hz.value
    return a is not None and b is not None and abs(math.log(a / b)) < SAME


def _of_line(line: Steady) -> Oscillation:
    """From the first third of its cycles to the last it goes two thirds of their number."""
    kept = 1 / GROWS <= line.growth <= GROWS
    fall = 0.0 if kept else -math.log(line.growth) / (2 * 2 / 3 * line.cycles)
    return Oscillation(
        line.frequency_hz, Figure(fall / math.hypot(math.pi, fall)), 2 * line.cycles, "loop",
        line.amplitude, growth=line.growth,
    )  # fmt: skip


def _driven(line: Steady, fit: Fit | None) -> float | None:
    """How far the output's line moves the fitted mechanism, as a share of what is seen."""
    if fit is None or not fit.used or fit.full_speed.value is None:
        return None
    tau = (fit.time_constant_ms.value or 0.0) / 1e3
    w = 2 * math.pi * (line.frequency_hz.value or 0.0)
    gain = fit.full_speed.value / math.hypot(1.0, w * tau)
    gain /= w if fit.plant == "position" else 1.0
    return gain * line.output / line.amplitude


def _shaken(line: Steady, names: tuple[str, ...], ratio: float | None) -> str:
    output, measured = names[:2]
    why = (
        f"{output} has no part in it" if ratio is None or not line.takes_part
        else f"{output} moves the fitted mechanism by {100 * ratio:.2g} % of that only"
    )  # fmt: skip
    return (
        f"{measured} swings at {number(line.frequency_hz.value)} Hz by {number(line.amplitude)} to "
        f"each side, which is not the loop's: {why}; something else shakes it or its sensor"
    )


def _none_seen(time: Float, measured: str, target: Float | None) -> str:
    row = float(np.median(np.diff(time)))
    slow = LEAST_CYCLES / (time[-1] - time[0])
    moves = "" if target is None else ", that its target does not make,"
    return (
        f"no swing of {measured}{moves} stands out between {number(slow, 2)} and "
        f"{number(1 / (LEAST_CYCLE * row), 2)} Hz; faster ones can't be told by rows each "
        f"{number(1e3 * row)} ms, nor those of fewer than {LEAST_CYCLES} cycles on end"
    )
