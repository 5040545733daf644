"""Which signal a measured value is to follow."""

import numpy as np
import pytest

from looptime.controlling.targets import followed, target_of


@pytest.mark.parametrize(
    ("names", "measured", "found"),
    [
        (["cmd_rpm", "rpm", "volts"], "rpm", "cmd_rpm"),
        (["wantedSpeed", "speed", "volts"], "speed", "wantedSpeed"),
        (["sp2", "pv", "volts"], "pv", "sp2"),
        (["left.req", "right.req", "left.v", "volts"], "left.v", "left.req"),
        (["left_goal", "right_goal", "v", "volts"], "v", None),
        (["setting", "offset", "reset", "v", "volts"], "v", None),
    ],
)
def test_a_target_by_its_name(names, measured, found):
    """A word of it, and of several the one that shares a word with the value; else none."""
    assert target_of(names, "volts", measured) == found


def test_a_signal_that_only_moves_alike_is_no_target():
    """What comes after the value, and what is not beyond it while the output is cut."""
    wanted = np.repeat([0.0, 8.0, 2.0, -6.0, 3.0] * 4, 20)
    value = np.zeros(len(wanted))
    for k in range(1, len(wanted)):
        value[k] = value[k - 1] + np.clip(wanted[k - 1] - value[k - 1], -0.5, 0.5)
    cut = np.sign(wanted - value) * (np.abs(wanted - value) > 0.5)
    later = np.append(np.zeros(3), value[:-3])
    assert followed({"later": later, "sooner": np.roll(value, -3) * 0.4}, value, cut) is None
    assert followed({"later": later, "x": wanted}, value, cut) == "x"
    assert followed({"x": wanted}, value, np.zeros(len(value))) is None
