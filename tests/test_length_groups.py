"""Names of groups whose members are lengths of time."""

import pytest

from looptime.length_groups import of_lengths, without_groups


@pytest.mark.parametrize(
    ("name", "member"),
    [
        ("timing.imu", ("imu", None)), ("timing/imu", ("imu", None)),
        ("durations_ms.bus", ("bus", "ms")), ("loop.took.us.imu", ("us.imu", None)),
        ("us/imu", ("imu", "us")), ("laufzeiten::antrieb", ("antrieb", None)),
        ("callTimesUs.imu.read", ("imu.read", "us")), ("timing.imu [us]", ("imu [us]", None)),
    ],
)  # fmt: skip
def test_a_group_of_lengths_is_known_by_its_name(name, member):
    """The first word or the last one says it; a unit is that of all its members."""
    assert of_lengths(name) == member


@pytest.mark.parametrize(
    "name",
    ["imu.heading", "drive.read", "pose.x", "time [m/s]", "gyro time (ms/loop)", "time.sec",
     "temps.motor", "stamp.nanosec", "durations.3", "timing", "timing.", "s.imu", "timer.imu",
     "cost.path"],
)  # fmt: skip
def test_other_names_are_of_no_such_group(name):
    """Devices, vectors, speeds, temperatures, parts of an instant, lists without names."""
    assert of_lengths(name) is None


def test_a_group_that_says_whose_they_are_stays():
    """Two groups may have members of one name."""
    assert without_groups("arm_times.write") == "arm_times.write"
    assert without_groups("section_times_ms.write") == "write"
