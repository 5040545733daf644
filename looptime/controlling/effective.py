"""What the pace makes of a controller's gains: exact, and no model of the robot is needed."""

import math

import numpy as np

from looptime.array_types import Float
from looptime.controllers import Controller
from looptime.controlling.law import Law
from looptime.records import dataclass
from looptime.stats.quantiles import quantile

__all__ = ["SHARES", "Effective", "Noise", "derivative_noise", "effective_gains"]

#: Steps at which the gains are stated: the shortest hundredth, the typical one, the longest.
SHARES = {"p1": 0.01, "p50": 0.5, "p99": 0.99}


@dataclass(frozen=True)
class Effective:
    """Gains as they act over time, at three steps of the log."""

    steps_ms: dict[str, float]  #: p1, p50 and p99 of the time between readings
    #: Continuous gains that the code acts like at these steps.
    ki: dict[str, float]
    kd: dict[str, float]
    #: The same as factors of those at the median step, or for a fixed step at that step.
    integral: dict[str, float]
    derivative: dict[str, float]


@dataclass(frozen=True)
class Noise:
    """What the resolution of the measured value does to the derivative."""

    step: float  #: Jump of the derivative term, in output, for one step of the measured value
    rms: float  #: Its rms over all speeds, in output, after the filter


def effective_gains(stated: Controller, steps: Float) -> Effective:
    """Effective gains at the steps of a log.

    ``per loop`` code acts like ``ki/T`` and ``kd T``, a fixed step h like ``ki h/T`` and
    ``kd T/h``, a measured step like ``ki`` and ``kd`` at any pace.

    Parameters
    ----------
    stated : Controller
        Its form and gains.
    steps : float array, shape (n,) [s]
        Time between the readings of neighbouring loops.

    Examples
    --------
    >>> made = effective_gains(Controller(form="per loop", ki=0.1, kd=2.0), np.full(9, 0.02))
    >>> made.ki["p50"], made.kd["p50"]
    (5.0, 0.04)
    """
    at = {name: float(quantile(steps, share)) for name, share in SHARES.items()}
    if stated.runs_on == "device" or stated.form == "measured step":
        ones = dict.fromkeys(at, 1.0)
        return Effective(
            _in_ms(at), dict.fromkeys(at, stated.ki), dict.fromkeys(at, stated.kd), ones, ones
        )
    assumed = (stated.step_ms or 0.0) / 1e3 if stated.form == "fixed step" else 1.0
    usual = assumed if stated.form == "fixed step" else at["p50"]
    return Effective(
        _in_ms(at),
        {name: _over(stated.ki * assumed, T) for name, T in at.items()},
        {name: stated.kd * T / assumed for name, T in at.items()},
        {name: _over(usual, T) for name, T in at.items()},
        {name: _over(T, usual) for name, T in at.items()},
    )


def _in_ms(at: dict[str, float]) -> dict[str, float]:
    return {name: T * 1e3 for name, T in at.items()}


def _over(above: float, below: float) -> float:
    """A quotient; infinite where the step is 0, as where a reading is used twice."""
    return above / below if below > 0 else math.inf


def derivative_noise(law: Law, resolution: float | None, step: float) -> Noise | None:
    """Noise of the derivative term at a typical step; None without resolution or derivative.

    A reading in steps of r is off by an even error of rms ``r/sqrt(12)``; the difference of two
    has ``r/sqrt(6)``, over the time that the code divides by. A filter that passes a share a of
    each new difference leaves ``a sqrt(2/(2 - a))`` times ``r/sqrt(12)``.

    Parameters
    ----------
    law : Law
        Its form, kd and filter.
    resolution : float or None [unit]
        Smallest step of the measured value.
    step : float [s]
        Typical time between readings.

    Examples
    --------
    >>> found = derivative_noise(Law("measured step", kp=1.0, kd=0.1), 0.5, 0.01)
    >>> found.step, round(found.rms * 6**0.5, 9)
    (5.0, 5.0)
    """
    if resolution is None or not law.kd:
        return None
    _, multiplied, passed = (float(w[0]) for w in law.weights(np.array([step])))
    jump = law.kd * resolution * multiplied
    return Noise(jump * passed, jump / math.sqrt(12) * passed * math.sqrt(2 / (2 - passed)))
