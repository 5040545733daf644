"""What headers say in ordinary words."""

import pytest

from looptime.parsers.columns.lexicon import MEANINGS, bare_name, meaning, tokens

SAID = {
    "clock": "Time;timestamp;t;t_ms;unix_timestamp;timestamp_utc;time_elapsed;elapsed;uptime;"
             "System Time;boardTimeUs;datetime;host clock;log time;loopStart",
    "whole": "Loop Time;Total;loopMs;totalTime (ms);cycle time;LoopDuration;whole loop us;overall;"
             "looptime;loop elapsed;frame_ms;t_total;Iteration time",
    "period": "dt;dt_ms;Period (us);ActualPeriod;loop_dt_us;interval;delta;timestep;"
              "loopPeriodMicros;time since last loop",
    "busy": "ExecutionTime;exec_us;work time;loop_exec_ms;busy_ms;processing time",
    "latency": "imu_latency_ms;camera age [ms];staleness_s;end to end ms;rtt_ms;round trip delay ms"
               ";latency",
    "deviation": "Jitter(ms);jitter;period_error_us;overrun_ms;loop time deviation;slack_us",
    "setting": "target_ms;period_target_us;deadline_ms;timeout (ms);nominal period",
    "duration": "gyro_ms;Gyro Time;dt_gyro;Gyro duration;driveMs;imu read [us];odometry took;"
                "elapsed_drive;gyrotime;vision processing ms;sleep_ms",
    "signal": "heading;yaw_deg;x;battery_v;left velocity;wheel_rpm;vx;eqw;motor temp;cpu_pct",
    "counter": "index;row_no;loop_number;frame_idx;sample count",
    "group": "agent_id;robot number;tag_id",
    "bare": "Gyro;Drive;Mast;vision read;column_2;Odometry",
}  # fmt: skip


@pytest.mark.parametrize(
    ("text", "expected"), [(t, means) for means, all_ in SAID.items() for t in all_.split(";")]
)
def test_what_a_header_says(text, expected):
    """Ordinary spellings mean what a reader takes them for."""
    assert meaning(text) == expected


def test_every_meaning_is_tried():
    """The closed list of meanings has no word that no header reaches."""
    assert set(SAID) == set(MEANINGS)


def test_words_of_a_header():
    """Case, punctuation, camel case and joined words set words apart; units and numbers go."""
    assert tokens("IMURead2_us") == ("imu", "read")
    assert tokens("cycletime") == ("cycle", "time")
    assert tokens("timestamp") == ("timestamp",)
    assert bare_name("Total Drive Time [ms]") == ("total", "drive")
    assert bare_name("column_3") == ()


@pytest.mark.parametrize(
    ("text", "means"),
    [
        ("read_row_sensor", "bare"), ("row_read", "bare"),
        ("row_sensor", "group"), ("write_count", "counter"), ("row", "counter"),
        ("tray", "bare"), ("relay", "bare"), ("accx", "signal"), ("gyro_z", "signal"),
        ("qw", "signal"), ("posx", "signal"),
    ],
)  # fmt: skip
def test_what_is_done_is_timed_and_a_word_is_no_axis(text, means):
    assert meaning(text) == means
