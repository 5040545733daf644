"""A pretended robot for the guide's programs: some loops in two phases."""

import time

written = []
poses = []


def running():
    """Whether to do one more loop."""
    return len(written) < 20


def phase():
    """What the robot is doing."""
    return "standby" if len(written) < 5 else "operator"


def read_gyro():
    """Take a millisecond or so."""
    time.sleep(0.001)
    return 12.5


def read_pose():
    """Take two milliseconds or so."""
    poses.append(3.0)
    time.sleep(0.002)
    return 3.0


def write_wheels(heading, position):
    """Take a millisecond or so."""
    time.sleep(0.001)
    written.append((heading, position))


def wait_for_next_tick():
    """Take a millisecond or so; the tenth lasts until a second pose is being read."""
    time.sleep(0.001)
    while len(written) == 10 and len(poses) < 2:
        time.sleep(0.001)
