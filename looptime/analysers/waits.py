"""What the pace does to code that counts loops or time, and to gains that ignore the step."""

import numpy as np

from looptime.errors import NotEnoughError, UsageError
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Delay", "GainFactors", "delay", "gain_factors"]

#: No delay is longer: a hundred days.
LONGEST_MS = 8.64e9


@dataclass(frozen=True)
class Delay:
    """When a delay that is checked once a loop really fires."""

    delay_ms: float  #: What the code asks for
    #: When it fires, from where it was set, checked at the same place in each loop.
    mean_ms: float
    p50_ms: float
    p90_ms: float
    p99_ms: float
    max_ms: float
    late_ms: float  #: Mean lateness
    loops_p50: float  #: Loops that pass, typically
    loops_min: int
    loops_max: int
    starts: int  #: Loops in which it could have been set


@dataclass(frozen=True)
class GainFactors:
    """Factors by which gains of a controller that ignores the step shift with the period."""

    derivative: float  #: Seen over time the code acts like the continuous gain ``kd T``
    integral: float  #: Seen over time the code acts like the continuous gain ``ki / T``


def delay(run: Run, delay_ms: float) -> Delay:
    """Distribution of when a delay fires that is set and checked once a loop.

    Set in loop i it fires in the first loop j with ``start_j - start_i >= delay``.

    Parameters
    ----------
    run : Run
        The recording.
    delay_ms : float [ms]
        Above 0.

    Raises
    ------
    UsageError
        If the delay is not above 0.
    NotEnoughError
        If the run is shorter than the delay.

    Examples
    --------
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.full(100, 7_000_000)
    >>> found = delay(Run(LoopColumns(np.arange(100), np.cumsum(period) - period, period)), 10)
    >>> found.p50_ms, found.loops_p50
    (14.0, 2.0)
    """
    if not 0 < delay_ms < LONGEST_MS:
        raise UsageError(
            f"a delay of {delay_ms:g} ms cannot be followed: give one above 0, at most 100 days"
        )
    at = run.loop_columns
    if not len(at):
        raise NotEnoughError("there is no loop in which a delay could be set")
    start = np.append(at.start_ns, at.start_ns[-1] + at.period_ns[-1])
    fires = np.searchsorted(start, start[:-1] + round(delay_ms * 1e6), "left")
    kept = np.flatnonzero(fires < len(start))
    if not len(kept):
        raise NotEnoughError(
            f"the run lasts {run.duration_s:.3g} s: no delay of {delay_ms:g} ms ends within it"
        )
    took = np.sort(start[fires[kept]] - start[kept]) / 1e6
    loops = fires[kept] - kept
    p50, p90, p99 = (float(took[min(int(p * len(took)), len(took) - 1)]) for p in (0.5, 0.9, 0.99))
    return Delay(
        float(delay_ms), float(took.mean()), p50, p90, p99, float(took[-1]),
        float(took.mean()) - delay_ms, float(np.median(loops)), int(loops.min()),
        int(loops.max()), len(kept),
    )  # fmt: skip


def gain_factors(before_ms: float, after_ms: float) -> GainFactors:
    """How gains shift when the period goes from ``T1`` to ``T2``, in code that ignores the step.

    A constant error is added ``1 / T`` times a second, so the integral acts ``T1 / T2`` times as
    strongly; a ramp differs by ``T`` from loop to loop, so the derivative acts ``T2 / T1`` times.
    The same holds for code that divides by a fixed step.

    Parameters
    ----------
    before_ms, after_ms : float [ms]
        Typical periods, above 0.

    Raises
    ------
    UsageError
        If a period is not above 0.

    Examples
    --------
    A loop twice as fast doubles the integral gain and halves the derivative gain.

    >>> gain_factors(20, 10)
    GainFactors(derivative=0.5, integral=2.0)
    """
    if not (before_ms > 0 and after_ms > 0):
        raise UsageError("periods must be above 0 ms")
    return GainFactors(derivative=after_ms / before_ms, integral=before_ms / after_ms)
