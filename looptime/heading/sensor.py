"""The sensor behind the readings: delay, update period, resolution, noise and bias."""

import math
from dataclasses import fields, replace

import numpy as np

from looptime.errors import UsageError
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["PERFECT", "Sensor"]


@dataclass(frozen=True)
class Sensor:
    """What the sensor adds to the loop's own timing.

    Raises
    ------
    UsageError
        If one of them is negative (the bias may be) or not finite.
    """

    delay_ms: float = 0.0  #: From the moment a value is true to the moment it can be read
    #: Own update period: a value is held for that long; 0 for a fresh one at every reading.
    update_ms: float = 0.0
    #: Smallest step of the heading it reports; increments are cut to whole steps.
    resolution_deg: float = 0.0
    noise_deg_s: float = 0.0  #: Standard deviation of each reading of the turn rate [deg/s]
    #: Noise as a density q, of a sensor that averages over its own period: variance ``q^2 t``;
    #: [deg/sqrt(s)].
    density_deg_rt_s: float = 0.0
    bias_deg_s: float = 0.0  #: Constant error of the turn rate [deg/s]
    seed: int = 0  #: Of the phase of its updates and of simulated noise

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if not math.isfinite(value) or (value < 0 and f.name != "bias_deg_s"):
                raise UsageError(f"sensor {f.name} is {value:g}: it must be 0 or more")

    def apply(self, sampling: Sampling) -> Sampling:
        """The sampling with the moments at which the values were true moved back.

        The newest update at or before ``reading - delay`` is what a reading returns; where in
        time the updates lie is drawn once from the seed.
        """
        if not self.delay_ms and not self.update_ms:
            return sampling
        taken = sampling.taken_s - self.delay_ms / 1e3
        period = self.update_ms / 1e3
        if period > 0:
            offset = np.random.default_rng(self.seed).random() * period
            taken = np.floor((taken - offset) / period) * period + offset
        return replace(sampling, taken_s=taken)


PERFECT = Sensor()
