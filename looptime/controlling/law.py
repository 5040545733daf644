"""The arithmetic of a controller and of the mechanism that it drives, as numbers in seconds."""

import math

import numpy as np

from looptime.array_types import Float
from looptime.controllers import Controller
from looptime.records import dataclass

__all__ = ["Law", "Plant", "law_of", "plant_of"]

#: Times closer than this are the same instant [s].
SAME_S = 1e-10


@dataclass(frozen=True)
class Law:
    """``output = kp e + ki I + kd D + feed_forward x wanted speed``, cut at `limit`."""

    #: ``per loop``: ``I += e``, ``D = e - e_last``; ``fixed step``: ``I += e h``, ``D = (e -
    #: e_last)/h``; ``measured step``: the same with the time between the readings.
    form: str
    kp: float
    ki: float = 0.0
    kd: float = 0.0
    step_s: float | None = None  #: The step h that the code assumes
    filter_s: float = 0.0  #: ``D`` goes through ``D += dt/(filter_s + dt) (new - D)``
    #: Infinite where there is none.
    limit: float = math.inf
    integral_limit: float = math.inf
    wraps: float = math.inf
    of_measurement: bool = False  #: The derivative is of the measured value and not of the error
    feed_forward: float = 0.0

    def weights(self, step: Float) -> tuple[Float, Float, Float]:
        """What a loop's step makes of the sum, the difference and the filter.

        Parameters
        ----------
        step : float array, shape (n,) [s]
            Time between the readings of one loop and the next.

        Returns
        -------
        added, multiplied, passed : float array, shape (n,)
            ``I += added e``; ``D = multiplied (e - e_last)``, 0 where a reading is used twice;
            ``passed`` is the share of a new D that the filter lets through.
        """
        one = np.ones_like(step)
        if self.form == "measured step":
            new = step > SAME_S
            share = np.where(new, step / np.where(new, self.filter_s + step, 1.0), 0.0)
            return step, np.where(new, 1 / np.where(new, step, 1.0), 0.0), share
        assumed = self.step_s or 0.0
        passed = assumed / (self.filter_s + assumed) if self.filter_s else 1.0
        if self.form == "fixed step":
            return one * assumed, one / assumed, one * passed
        return one, one, one * passed


@dataclass(frozen=True)
class Plant:
    """``tau v' + v = K (u - load)``; for ``position`` besides ``x' = v``."""

    kind: str  #: ``position`` or ``speed``: what is measured
    full_speed: float  #: K, the speed at full output [unit/s]
    time_constant_s: float = 0.0  #: tau; 0 for a mechanism that follows at once
    load: float = 0.0  #: Output that only just holds it

    def factors(self, time: Float) -> tuple[Float, Float]:
        """``E = exp(-t/tau)`` and ``tau (1 - E)``: the exact solution over a time is

        ``v(t) = w + (v - w) E`` and ``x(t) = x + w t + (v - w) tau (1 - E)`` with
        ``w = K (u - load)``.
        """
        return self.decay(time), self.share(time)

    def decay(self, time: Float) -> Float:
        """The first of the `factors`."""
        tau = self.time_constant_s
        return np.exp(-time / tau) if tau else np.where(time > SAME_S, 0.0, 1.0)

    def share(self, time: Float) -> Float:
        """The second of the `factors`."""
        tau = self.time_constant_s
        return -tau * np.expm1(-time / tau) if tau else np.zeros_like(time)

    def after(self, x: Float, v: Float, u: Float, time: Float) -> tuple[Float, Float]:
        """Position and speed after a time of constant output; all of one shape."""
        decay, share = self.factors(time)
        w = self.full_speed * (u - self.load)
        return x + w * time + (v - w) * share, w + (v - w) * decay

    def from_rest(self, u: Float, time: Float) -> tuple[Float, Float]:
        """Position and speed at the beginning of each of some steps, from rest.

        Parameters
        ----------
        u, time : float array, shape (steps, ...)
            Output and length [s] of each step; `time` may be alike for several outputs.
        """
        decay, share = self.factors(time)
        w = self.full_speed * (u - self.load)
        v = np.zeros_like(w)
        for k in range(len(w) - 1):
            v[k + 1] = w[k] + (v[k] - w[k]) * decay[k]
        moved = np.stack([w * time, (v - w) * share], axis=1).reshape(-1, *w.shape[1:])
        x = np.zeros_like(w)
        x[1:] = np.cumsum(moved, axis=0)[1:-1:2]
        return x, v

    def measured(self, x: Float, v: Float) -> Float:
        """What its sensor sees."""
        return x if self.kind == "position" else v

    def measured_after(self, x: Float, v: Float, u: Float, time: Float) -> Float:
        """What its sensor sees after a time of constant output; all of one shape."""
        w = self.full_speed * (u - self.load)
        if self.kind == "position":
            return x + w * time + (v - w) * self.share(time)
        return w + (v - w) * self.decay(time)

    def at_rest(self, law: Law) -> tuple[float, float, float]:
        """Measured value, output and sum of the integral where a law holds it at target 0."""
        if law.ki:
            sum_ = min(max(self.load / law.ki, -law.integral_limit), law.integral_limit)
            missing = self.load - law.ki * sum_
        else:
            sum_, missing = 0.0, self.load
        if self.kind == "position":
            return (-missing / law.kp if law.kp else 0.0), self.load, sum_
        value = -self.full_speed * missing / (1 + self.full_speed * law.kp)
        return value, law.ki * sum_ - law.kp * value, sum_


def law_of(stated: Controller) -> Law:
    """The law of a controller that runs on the robot.

    Examples
    --------
    >>> law_of(Controller(form="fixed step", step_ms=20, kp=2, ki=1)).step_s
    0.02
    """
    return Law(
        form=stated.form or "per loop",
        kp=stated.kp,
        ki=stated.ki,
        kd=stated.kd,
        step_s=None if stated.step_ms is None else stated.step_ms / 1e3,
        filter_s=stated.derivative_filter_ms / 1e3,
        limit=stated.limit,
        integral_limit=math.inf if stated.integral_limit is None else stated.integral_limit,
        wraps=math.inf if stated.wraps is None else stated.wraps,
        of_measurement=stated.derivative_of == "measurement",
        feed_forward=stated.feed_forward,
    )


def plant_of(stated: Controller) -> Plant:
    """The mechanism of a controller that states one (`Controller.has_model`)."""
    assert stated.plant is not None
    assert stated.full_speed is not None
    return Plant(stated.plant, stated.full_speed, stated.time_constant_ms / 1e3, stated.load)
