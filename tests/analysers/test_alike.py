"""Names put together where many like devices stand behind them."""

import pytest

from looptime.analysers.alike import grouped, pattern_of


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (["drive.front_left.drive.read", "drive.rear_right.steer.read"], "drive.*.read"),
        (["bench/1/lift", "bench/12/lift"], "bench/*/lift"),
        (["motor1", "motor2", "motor10"], "motor*"),
        (["wheelFrontLeftRead", "wheelRearRightRead"], "wheel*Read"),
        (["gyro.read", "gyro.read"], "gyro.read"),
    ],
)
def test_a_pattern_keeps_whole_parts(names, pattern):
    """What all begin and end with stays, part by part, and a star stands for the rest."""
    assert pattern_of(names) == pattern


def test_names_are_put_together_only_where_they_are_alike():
    """Same key, same first and last part or numbers alone; the order is that of the first."""
    items = [
        ("drive.left.read", "port"), ("gyro.read", "port"), ("drive.right.read", "port"),
        ("drive.left.write", "port"), ("drive.back.read", "aux"), ("motor1", "aux"),
        ("motor2", "aux"), ("mast.read", "port"),
    ]  # fmt: skip
    assert [members for _, members in grouped(items)] == [
        ["drive.left.read", "drive.right.read"], ["gyro.read"], ["drive.left.write"],
        ["drive.back.read"], ["motor1", "motor2"], ["mast.read"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (["readEncoder(FL drive)", "readEncoder(RR steer)"], "readEncoder(*)"),
        (["module[0].readAngle", "module[1].readAngle"], "*.readAngle"),
        (["Front Left Encoder", "Rear Right Encoder"], "* Encoder"),
        (["left.read", "right.read"], "*.read"),
    ],
)
def test_like_devices_in_other_places(names, pattern):
    """Words for a place, and what a function is called with, do not tell devices apart."""
    ((found, members),) = grouped((name, None) for name in names)
    assert (found, members) == (pattern, names)


@pytest.mark.parametrize("names", [["left", "right"], ["read(gyro)", "write(gyro)"],
                                   ["readGyro()", "readMast()"]])  # fmt: skip
def test_other_names_stay_apart(names):
    """Names of other calls, and names that are nothing but a place, are not put together."""
    assert len(grouped((name, None) for name in names)) == 2
