"""A loop begins between runs of like calls, wherever the log begins."""

import pytest

from looptime.parsers.layouts.like_runs import begins_at

PODS = [f"pod{k}.{what}" for k in range(4) for what in ("turn", "roll")]
CORNERS = [f"{end}_{side}.read" for end in ("front", "rear") for side in ("left", "right")]


@pytest.mark.parametrize(
    ("cycle", "cuts", "begin"),
    [
        (["imu", *PODS, "mix"], range(2, 9), "pod0.turn"),
        (["imu", *PODS, "mix", "motors.write"], range(2, 9), "imu"),
        (["imu", *CORNERS, "mix"], [2, 3, 4], "front_left.read"),
        ([f"bench{k}" for k in range(1, 12)], range(1, 11), "bench1"),
        ([*(f"can0.leg{k}.pos" for k in (8, 9, 10)), "mix"], [1, 2], "can0.leg8.pos"),
    ],
)
def test_cut_within_a_run_the_cycle_is_the_same(cycle, cuts, begin):
    """A log that begins with any call of a run but its first has the loop of the whole run."""
    for at in cuts:
        cut = cycle[at:] + cycle[:at]
        assert cut[begins_at(cut)] == begin


@pytest.mark.parametrize(
    "cycle",
    [
        ["wheel1.read", "wheel2.read", "wheel3.read", "mix"],
        ["motor1.write", "mix", "motor2.write"],
        ["gyro.read", "mix", "lift.read", "arm.read", "mast.read"],
        ["wheel1.read", "mix", "wheel2.read", "wheel3.read", "wheel4.read"],
        ["left.write", "imu", "right.write"],
        ["pod1.turn", "mix", "pod1.roll", "pod1.lift"],
        ["imu"],
        [],
    ],
)
def test_a_cycle_that_cuts_no_run_begins_with_its_first(cycle):
    """Numbers that begin anew, two like calls, and other names at the end are no run."""
    assert begins_at(cycle) == 0


def test_the_most_time_between_two_calls_is_between_loops():
    """Where the calls follow each other alike, the run or what was written tells."""
    cycle = ["leg2", "leg3", "mix", "out.write", "imu", "leg1"]
    assert begins_at(cycle, [9, 9, 9, 9, 9, 9]) == 4
    assert begins_at(cycle, [9, 9, 40, 9, 9, 9]) == 2
    assert begins_at(cycle, [9, 40, 9, 9, 9, 9]) == 4
