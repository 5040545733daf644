"""The pace of a loop in a line of a log's head: ordinary ways to say it, and what is none."""

import pytest

from looptime.stated_pace import stated_tick, stated_tick_ms


@pytest.mark.parametrize(
    "line",
    [
        "# target 50 Hz; a missed tick is skipped", "# target: 50 Hz", "# target_hz=50",
        "// the control loop runs at 50 Hz", "# loop rate [Hz]: 50", "# Loop period 20 ms",
        "# nominal period: 0.02 s", "# main loop at 50 hz", "; 50 Hz loop", "# 20 ms control loop",
        "# paced to 50 Hz", "# fixed rate 50 Hz", "# loop_period_us: 20000", "# period = 20ms",
    ],
)  # fmt: skip
def test_a_pace_of_20_ms_is_read(line):
    """However it is written."""
    key, _, value = line.lstrip("#/; ").partition(":")
    assert stated_tick(line) is not None
    assert stated_tick_ms({key: value} if value else {"target": stated_tick(line)}) == 20


@pytest.mark.parametrize(
    "line",
    [
        "# gyro rate 100 Hz", "# tick 1 us", "# baud rate 115200", "loop 12 took 50 ms",
        "# imu at 200 Hz", "# target heading 50 deg", "# loop_ms is the whole", "# target 50",
        "# loop budget 20 ms", "# times in ms", "# sample rate 1000 Hz",
        "# at 20 s the robot turns",
    ],
)  # fmt: skip
def test_other_rates_and_times_are_none(line):
    """Of sensors, clocks, limits and lengths."""
    assert stated_tick(line) is None
