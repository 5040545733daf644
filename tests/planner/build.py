"""What tests of plans share: buses, labels, and a look at what JSON can hold."""

import json

from looptime.project import Bus

BUSES = {"port": Bus(0.5, 0.2, "fair")}
NAMES = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "motor.set": {"kind": "actuator write", "bus": "port"},
}


def finite(value):
    """Assert that JSON can hold a value, without NaN."""
    return json.loads(json.dumps(value, allow_nan=False))
