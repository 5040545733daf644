"""The sensor behind the readings: delay, update period, resolution, noise and bias."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np

from looptime.array_types import Float
from looptime.errors import UsageError
from looptime.heading.motion import Motion
from looptime.heading.pattern import Sampling
from looptime.records import dataclass

__all__ = ["PERFECT", "Sensor", "simulated_rates"]


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

        Parameters
        ----------
        sampling : Sampling
            Instants of reading and use.
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


def simulated_rates(motion: Motion, sampling: Sampling, sensor: Sensor) -> Float:
    """Turn rates that the code would read along the log, with noise and bias.

    Parameters
    ----------
    motion : Motion
        Times count as those of the sampling do.
    sampling : Sampling
        With the sensor already applied.
    sensor : Sensor
        Noise, bias and seed.

    Returns
    -------
    float array, shape (n + 1,) [rad/s]
        The same for the same seed; readings of one held value share its noise.
    """
    fresh = np.concatenate([[True], np.diff(sampling.taken_s) > 0])
    at = np.cumsum(fresh) - 1
    noise = np.random.default_rng(sensor.seed + 1).standard_normal(int(at[-1]) + 1)
    error = sensor.bias_deg_s + sensor.noise_deg_s * noise[at]
    return motion.rate(sampling.taken_s) + np.radians(error)
