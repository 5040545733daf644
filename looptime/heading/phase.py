"""Phase that a controller loses because it acts on old readings."""

import numpy as np

from looptime.analysers.estimate import Figure
from looptime.errors import UsageError
from looptime.heading.age_distribution import mean_age_s
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["PhaseLost", "phase_lost"]

#: Consecutive loops whose mean age makes the worst stretch.
STRETCH = 10


@dataclass(frozen=True)
class PhaseLost:
    """Phase lost at a crossover frequency [deg]."""

    crossover_hz: float  #: Crossover frequency of the controller [Hz]
    whole_run_deg: Figure
    worst_stretch_deg: float  #: Of any 10 consecutive loops


def phase_lost(sampling: Sampling, mean_age: Figure, crossover_hz: float) -> PhaseLost:
    """Phase lost by a controller that runs once a loop and holds its output.

    ``360 f_c x (mean age)`` degrees: a delay of d seconds turns the phase at f by ``360 f d``, and
    holding adds half the hold on the average.

    Parameters
    ----------
    sampling : Sampling
        Instants of reading and use.
    mean_age : Figure [ms]
        Mean age over time (`looptime.heading.age_distribution.age_parts`).
    crossover_hz : float [Hz]
        Crossover frequency of the controller.

    Raises
    ------
    UsageError
        If the crossover frequency is not above 0.

    References
    ----------
    Hold delay of a sampled controller, in any text on computer-controlled systems.

    Examples
    --------
    >>> from looptime.heading.pattern import even
    >>> lost = phase_lost(even(100, 40), Figure(5.0), 2.0)
    >>> round(lost.whole_run_deg.value, 9), round(lost.worst_stretch_deg, 9)
    (3.6, 3.6)
    """
    if not 0 < crossover_hz < float("inf"):
        raise UsageError(f"a crossover frequency of {crossover_hz:g} Hz cannot be")
    T, L = sampling.hold_s, sampling.latency_s
    worst = mean_age_s(sampling)
    if len(T) >= STRETCH:
        area = np.concatenate([[0.0], np.cumsum(T * (L + T / 2))])
        time = sampling.use_s - sampling.use_s[0]
        worst = float(
            np.max((area[STRETCH:] - area[:-STRETCH]) / (time[STRETCH:] - time[:-STRETCH]))
        )
    return PhaseLost(
        crossover_hz, mean_age.scaled(0.36 * crossover_hz), 360.0 * crossover_hz * worst
    )
