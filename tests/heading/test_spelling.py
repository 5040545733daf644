"""Motions as text, as files and from the log."""

import os
from dataclasses import replace

import numpy as np
import pytest

from looptime.errors import LogError, LooptimeError, NotEnoughError, UsageError
from looptime.heading.motion import Profile, Steady, Weave
from looptime.heading.spelling import HARDLY_TURNED, parse_motion
from looptime.run import Signals
from tests.build_run import make_run


def test_the_three_written_forms():
    """Numbers are degrees and Hz; inside they are radians."""
    steady, weave, turn = (
        parse_motion(t) for t in ("steady:90", "weave:20,1.5", "turn:90,180,720")
    )
    assert isinstance(steady, Steady)
    assert steady.turn_rate == pytest.approx(np.pi / 2)
    assert isinstance(weave, Weave)
    assert (weave.amplitude, weave.frequency_hz) == (pytest.approx(np.radians(20)), 1.5)
    assert isinstance(turn, Profile)
    assert turn.duration_s == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("spin:4", "is not known"),
        ("steady:-90", "must be above 0"),
        ("steady:fast", "takes a turn rate"),
        ("steady:nan", "must be above 0"),
        ("turn:90,180", "takes an angle"),
        ("weave:0,1", "must be above 0"),
        ("weave:10,inf", "must be above 0"),
        ("recorded", "no log"),
        ("", "is not known"),
    ],
)
def test_bad_text_is_one_clear_line(text, says):
    """What cannot be a motion is refused in one line that says why."""
    with pytest.raises(UsageError, match=says) as caught:
        parse_motion(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [
    "time_s,turn_rate_deg_s\n0,0\n1,90\n2,0\n",
    "5,0\n6,90\n7,0",
    "# ours\n0;0\n1;90\n2;0\n",
    "\ufefft\trate\n0\t0\n1\t90\n2\t0\n",
])  # fmt: skip
def test_file_gives_a_rate_of_straight_lines(tmp_path, content):
    """Two columns, with or without a header, give a profile that begins at 0."""
    path = tmp_path / "bench run.csv"
    path.write_text(content, encoding="utf-8")
    motion = parse_motion(str(path))
    assert motion.duration_s == 2.0
    assert np.degrees(motion.rate([0.5, 1.0])).tolist() == pytest.approx([45.0, 90.0])
    assert np.degrees(motion.heading(2.0)) == pytest.approx(90.0)


@pytest.mark.parametrize(("content", "line", "says"), [
    ("0,0\n1,x\n", 2, "two numbers"),
    ("0,0\n1,9\n1,8\n", 3, "times must grow"),
    ("0,0\n1,inf\n", 2, "finite"),
    ("0,0\n", None, "at least two rows"),
    ("0,0\n1,0\n", None, "does not turn"),
    ("0,0\n99999,5\n", None, "in seconds"),
    ("t_s,heading_deg\n0,0\n1,9\n", 1, "is a heading"),
])  # fmt: skip
def test_bad_file_names_the_line(tmp_path, content, line, says):
    """A motion file that cannot be used is an error with file and line."""
    path = tmp_path / "m.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(LogError, match=says) as caught:
        parse_motion(str(path))
    assert caught.value.line == line


@pytest.mark.parametrize("content", [
    "t_ms;omega [rad/s]\n0;0\n1000;1,5707963268\n2000;0\n",
    "time_s,yaw_rate_mrad_s\n0,0\n1,1570.7963268\n2,0\n",
    "Zeit [s]\tDrehrate [°/s]\n0,0\t0\n1,0\t90,0\n2,0\t0\n",
])  # fmt: skip
def test_the_header_of_a_motion_file_names_its_units(tmp_path, content):
    """A triangle of 90 deg/s over 2 s, in three spellings: a quarter turn in each."""
    path = tmp_path / "m.csv"
    path.write_text(content, encoding="utf-8")
    motion = parse_motion(str(path))
    assert motion.duration_s == pytest.approx(2.0)
    assert np.degrees(motion.heading(2.0)) == pytest.approx(90.0)


def test_missing_file_is_an_error():
    """A file that is not there is named."""
    with pytest.raises(LogError, match=r"nowhere\.csv: no such file"):
        parse_motion("nowhere.csv")


def _with_heading(values, name="heading_deg"):
    run = make_run([10.0] * len(values))
    signals = Signals(run.loop_columns.start_ns, np.arange(len(values)), {name: np.array(values)})
    return replace(run, signals=signals)


def test_recorded_motion_follows_the_fresh_values_only():
    """Values held for several loops do not make steps of the recorded motion."""
    held = np.arange(600) // 5 * 0.05
    motion = parse_motion("recorded", run=_with_heading(90 * np.sin(held)))
    middle = np.linspace(0.5, 5.0, 200)
    assert np.degrees(motion.heading(middle)) == pytest.approx(90 * np.sin(middle), abs=0.2)
    assert np.degrees(motion.rate(middle)) == pytest.approx(90 * np.cos(middle), abs=1.5)
    assert any("fresh values" in limit for limit in motion.limits)


def test_recorded_heading_turns_through_the_wrap():
    """A heading that jumps from 180 to -180 goes on turning."""
    t = np.arange(400) * 0.01
    motion = parse_motion("recorded", run=_with_heading((150 + 40 * t + 180) % 360 - 180))
    assert np.degrees(motion.heading(3.0) - motion.heading(1.0)) == pytest.approx(80, abs=0.01)


def test_recorded_heading_that_jumps_by_two_pi_is_in_radians():
    """A heading called degrees that wraps at 6.28 is taken for radians, and that is said."""
    t = np.arange(400) * 0.01
    motion = parse_motion("recorded", run=_with_heading((1.2 * t + np.pi) % (2 * np.pi)))
    assert motion.rate(3.0) == pytest.approx(1.2, rel=1e-3)
    assert any("radians" in said for said in motion.limits)


def test_a_log_without_a_heading_is_refused_with_what_it_has():
    """The refusal names the values that may be the heading, and how it is stated."""
    with pytest.raises(NotEnoughError, match=r"but ch7: .*turn rate rad/s"):
        parse_motion("recorded", run=_with_heading([0.0] * 20, "ch7"))


def test_recorded_rate_is_integrated():
    """Where only the turn rate is logged the heading is its integral."""
    t = np.arange(500) * 0.01
    motion = parse_motion("recorded", run=_with_heading(90 * np.cos(t), "turn_rate_deg_s"))
    assert np.degrees(motion.heading(3.0) - motion.heading(1.0)) == pytest.approx(
        90 * (np.sin(3.0) - np.sin(1.0)), abs=0.05
    )


def test_noise_is_smoothed():
    """Noise of the heading hardly reaches the rate of the recorded motion."""
    t = np.arange(2000) * 0.01
    noise = 0.2 * np.random.default_rng(4).standard_normal(len(t))
    motion = parse_motion("recorded", run=_with_heading(60 * np.sin(t) + noise))
    middle = np.linspace(1, 19, 300)
    off = np.degrees(motion.rate(middle)) - 60 * np.cos(middle)
    assert np.sqrt(np.mean(off**2)) < 2.0  # differences of the raw values have 28 deg/s


@pytest.mark.parametrize("name", ["heading_deg", "turn_rate_deg_s"])
@pytest.mark.parametrize(("moves", "said"), [(0.0, True), (40.0, False)])
def test_a_robot_that_stands_is_told_from_one_that_turns(name, moves, said):
    """Noise of 0.02 about a heading of 87 deg or a rate of 0, and the same on a swing of 40."""
    noise = 0.02 * np.random.default_rng(5).standard_normal(1500)
    begin = 87.0 if name == "heading_deg" else 0.0
    values = np.round(begin + moves * np.sin(np.arange(1500) * 0.02) + noise, 2)
    motion = parse_motion("recorded", run=_with_heading(values, name))
    assert any(limit.startswith(HARDLY_TURNED) for limit in motion.limits) == said


@pytest.mark.parametrize("run", [make_run([10.0] * 20), _with_heading([5.0] * 30)])
def test_log_without_a_motion_is_not_enough(run):
    """A log without heading, or with a heading that never changes, has no motion to offer."""
    with pytest.raises(NotEnoughError, match="recorded") as caught:
        parse_motion("recorded", run=run)
    assert isinstance(caught.value, LooptimeError)


def test_a_heading_that_is_set_anew_did_not_turn_then():
    """At 3 s it is set to what it was 90 deg less: the motion turns no faster than before."""
    t = np.arange(600) * 0.01
    turned = 20 * np.sin(2 * t)
    motion = parse_motion("recorded", run=_with_heading(turned - 90 * (t >= 3)))
    fastest = np.degrees(np.abs(motion.rate(np.linspace(0.5, 5.5, 2000)))).max()
    assert fastest == pytest.approx(40, rel=0.1)
    assert any("jumps by 90" in limit and "at 3 s" in limit for limit in motion.limits)


def test_a_heading_of_coarse_steps_is_not_taken_for_one_set_anew():
    """Steps of 15 deg are all that a coarse heading has: the robot turned by them."""
    t = np.arange(600) * 0.01
    motion = parse_motion("recorded", run=_with_heading(15 * np.round(60 * t / 15)))
    assert not any("jumps" in limit for limit in motion.limits)
    assert np.degrees(motion.heading(5.0) - motion.heading(1.0)) == pytest.approx(240, abs=8)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs pipes with names")
def test_a_motion_file_that_is_a_pipe_is_not_waited_for(tmp_path):
    """Nobody may ever write into it."""
    os.mkfifo(tmp_path / "turns.csv")
    with pytest.raises(LogError, match="it is a pipe, a socket or a device"):
        parse_motion(str(tmp_path / "turns.csv"))
