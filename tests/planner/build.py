"""What tests of plans share: buses, labels, and a look at what JSON can hold."""

import json

import numpy as np

from looptime.project import Bus
from tests.build_run import make_run

BUSES = {"port": Bus(0.5, 0.2, "fair")}
NAMES = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "motor.set": {"kind": "actuator write", "bus": "port"},
}


def finite(value):
    """Assert that JSON can hold a value, without NaN."""
    return json.loads(json.dumps(value, allow_nan=False))


def wandering(seed, load=0.3, loops=2000):
    """A free loop of 10 ms whose every cost is scaled by a load that wanders for minutes on end.

    The load's logarithm is a sum of sines of all periods from a tenth of the run to ten of them,
    each as strong as the others: it wanders no less from run to run than along one.
    """
    rng = np.random.default_rng(seed)
    k = np.geomspace(0.1, 10, 12)[:, None]
    phase = rng.uniform(0, 2 * np.pi, (12, 1))
    x = np.sin(2 * np.pi * k * np.arange(loops) / loops + phase).sum(axis=0)
    factor = np.exp(load * x / np.sqrt(6) + rng.normal(0, 0.03, loops))
    ms = factor[:, None] * [3.0, 5.0]

    def calls(i):
        return [("gyro.read", 0, ms[i, 0]), ("odometry", ms[i, 0], ms[i, 1])]

    return make_run(ms.sum(axis=1) + 2.0, calls, NAMES)
