"""Units of angles in comments above the rows."""

import pytest

from looptime.parsers.text.angles import in_stated_angles, stated_angles


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("# units: ms, deg, deg/s", ("deg", "deg/s")),
        ("# angles in degrees, rates in rad/s", ("deg", "rad/s")),
        ("# all values in SI units", ("rad", "rad/s")),
        ("# turn rate unit: dps", (None, "deg/s")),
        ("# units: deg or rad", (None, None)),
        ("# all good after 90 deg turns", (None, None)),
        ("# grade of the rate: radio", (None, None)),
    ],
)
def test_what_a_comment_states(line, told):
    """A unit of all columns is heard, an angle that was turned or a word that holds one is not."""
    assert stated_angles([line]) == told


def test_a_header_with_a_unit_keeps_it():
    """What the header says goes before the comment; other columns stay as they are."""
    header = ("t", "heading_deg", "yaw_rate", "gyro", "lift", "target_theta")
    assert in_stated_angles(header, ["# SI units: s, rad, rad/s"]) == (
        "t", "heading_deg", "yaw_rate [rad/s]", "gyro [rad/s]", "lift", "target_theta",
    )  # fmt: skip
