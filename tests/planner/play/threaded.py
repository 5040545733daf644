"""A robot that reads its gyro in the loop, to be read in a thread instead."""

from tests.build_run import make_run

LABELS = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "motor.a": {"kind": "actuator write", "bus": "port"},
    "motor.b": {"kind": "actuator write", "bus": "port"},
    "range.read": {"kind": "sensor read", "bus": "aux"},
}


def robot(n=400, gap=1.0, labels=LABELS):
    """Gyro 2 ms, two writes of 1 ms with a gap between, 4 ms of other work."""
    calls = [("gyro.read", 0, 2), ("motor.a", 2, 1), ("motor.b", 3 + gap, 1), ("work", 4 + gap, 4)]
    return make_run([8 + gap] * n, calls, labels)
