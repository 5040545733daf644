"""What a heading study is told: how the robot's code goes about it, and what is tolerable."""

import math
from dataclasses import field

from looptime.errors import UsageError
from looptime.heading.instants import Labels
from looptime.heading.integrated import RULES, AssumedStep
from looptime.heading.lead import NO_LEAD, Lead
from looptime.heading.path import HEADINGS
from looptime.heading.required import JUDGED
from looptime.heading.sensor import PERFECT, Sensor
from looptime.records import dataclass

__all__ = ["Setup", "Tolerance"]


@dataclass(frozen=True)
class Setup:
    """How the robot's code goes about its heading, and what its sensor adds."""

    labels: Labels = field(default_factory=Labels)  #: Calls that read, pick up and use the heading
    integration: str = "hold-first"  #: One of `looptime.heading.integrated.RULES`
    step: AssumedStep = field(default_factory=AssumedStep)  #: The step that the code takes
    path_heading: str = "start"  #: One of `looptime.heading.path.HEADINGS`
    lead: Lead = NO_LEAD  #: By how much the code extrapolates
    sensor: Sensor = PERFECT  #: Noise, bias and seed
    latency_ms: float | None = None  #: Latency at other rates; None where it scales with the period
    slow_ms: float | None = None  #: Slow-loop limit; else found from the log
    speed_m_s: float = 1.0
    crossover_hz: float = 2.0  #: Crossover frequency of the controller [Hz]
    seed: int = 0  #: Of the random phases

    def __post_init__(self) -> None:
        if self.integration not in RULES:
            raise UsageError(
                f"integration {self.integration!r} is not known: use {', '.join(RULES)}"
            )
        if self.path_heading not in HEADINGS:
            raise UsageError(
                f"path heading {self.path_heading!r} is not known: use {', '.join(HEADINGS)}"
            )
        for name, least in (("latency_ms", 0.0), ("slow_ms", 1e-9), ("speed_m_s", 1e-9)):
            value = getattr(self, name)
            if value is not None and not least <= value < math.inf:
                raise UsageError(
                    f"{name} is {value:g}: it must be {'0 or more' if not least else 'above 0'}"
                )


@dataclass(frozen=True)
class Tolerance:
    """What error is tolerable."""

    deg: float | None = None  #: Of the stale heading
    mm: float | None = None  #: Sideways, to either side, for each metre driven
    judged: str = "p95"  #: Which figure of the stale heading: ``mean``, ``rms``, ``p95`` or ``max``

    def __post_init__(self) -> None:
        if self.judged not in JUDGED:
            raise UsageError(f"figure {self.judged!r} is not known: use {', '.join(JUDGED)}")
        for value, unit in ((self.deg, "deg"), (self.mm, "mm")):
            if value is not None and not 0 < value < math.inf:
                raise UsageError(f"a tolerance of {value:g} {unit} cannot be: give one above 0")
