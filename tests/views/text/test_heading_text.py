"""What is told of a heading: the figure asked about, what misses it, and what is not known."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.heading import study
from looptime.heading.integrated import parse_step
from looptime.heading.motion import turn
from looptime.heading.sensor import Sensor
from looptime.heading.setup import Setup, Tolerance
from looptime.heading.spelling import parse_motion
from looptime.heading.stalls import stalls_of
from looptime.run import Signals
from looptime.views.text.heading_text import heading_sentence, render_heading
from tests.build_run import make_flat_run, make_run
from tests.views.text.build import text_of

KINDS = {"gyro.read": "sensor read", "drive.write": "actuator write"}


def first_lines(told):
    """The answer and why, with single blanks."""
    return " ".join(f"{told.answer} {text_of(told.why)}".split())


def robot(period_ms, kinds=None):
    """Loops that read at their start and write from 1 ms to 3 ms."""
    period = np.asarray(np.array(period_ms) * 1e6, np.int64)
    calls = {"gyro.read": np.full(len(period), 1_000_000),
             "drive.write": np.full(len(period), 2_000_000)}  # fmt: skip
    return make_flat_run(period, calls, KINDS if kinds is None else kinds)


@pytest.mark.parametrize(("swing", "told"), [(0.0, False), (40.0, True)])
def test_a_parked_robot_tells_nothing_of_turning(swing, told):
    """Noise of 0.02 deg is no motion: no figure is the answer, unlike where it swings."""
    run = robot(np.full(1500, 20.0))
    noise = 0.02 * np.random.default_rng(1).standard_normal(1500)
    heading = 87.3 + swing * np.sin(np.arange(1500) * 0.02) + noise
    signals = Signals(run.loop_columns.start_ns, np.arange(1500), {"heading_deg": heading})
    found = study(replace(run, signals=signals), motion="recorded", curve=False)
    said = heading_sentence(found)
    assert ("hardly turned" in said) != told
    assert ("deg off for 95 %" in said) == told


@pytest.mark.parametrize("pattern", ["as recorded", "even"])
def test_even_loops_have_no_stall_to_mend(pattern):
    """The log's one loop of 120 ms, and nine of 24 ms, are told as the log's where loops are even.

    Nor does a rate that is steady add up to any error there, which would have shares.
    """
    period = np.full(400, 10.0) + 0.1 * np.sin(np.arange(400))
    period[60::40], period[50] = 24.0, 120.0
    rate = {} if pattern == "as recorded" else {"rate_hz": 100.0}
    run = robot(period)
    found = study(run, motion=parse_motion("steady:120"), pattern=pattern, **rate)
    told = first_lines(render_heading(replace(found, stalls=stalls_of(run)), "log.csv"))
    assert "1 loop takes up to 120 ms where 10.0 is typical" in told
    assert "9 times loops are slow for less long, up to 24.0 ms" in told
    assert ("mend that first" not in told) or pattern != "even"
    assert ("even loops have none; in the log" in told) == (pattern == "even")
    whole = text_of(render_heading(found, "log.csv").parts(full=True))
    assert "nothing: no error at all" in whole


def test_stalls_that_miss_a_maximum_are_said_first():
    """A reading 3 ms old, held for 100 ms at each hundredth loop: 103 ms at 100 deg a second."""
    period = np.full(1000, 20.0)
    period[::100] = 100.0
    found = study(robot(period), motion=parse_motion("steady:100"),
                  tolerance=Tolerance(deg=6.0, judged="max"))  # fmt: skip
    said = heading_sentence(found)
    assert "10.3 deg at most" in said
    assert "misses 6 deg by its stalls" in said
    assert "no rate up to the 333 a second that its work allows keeps it" in said
    assert "needs" not in said


def test_a_rate_that_misses_and_one_that_keeps():
    """Even loops of 50 ms, read at once: p95 of (3 + 0.95 x 50) ms at 100 deg/s is 5.05 deg."""
    for tolerance, words in ((3.0, "misses 3 deg by its mean rate: it takes"), (9.0, "keeps it")):
        found = study(robot(np.full(400, 50.0)), motion=parse_motion("steady:100"),
                      tolerance=Tolerance(deg=tolerance))  # fmt: skip
        assert "up to 5.05 deg off for 95 %" in heading_sentence(found)
        assert words in heading_sentence(found)


def test_what_code_sums_up_stands_first_where_it_was_asked_for():
    """Code that assumes 20 ms where a loop takes 25 turns a fifth too little: 72 of 360 deg."""
    found = study(robot(np.full(2000, 25.0)), motion=turn(360, 120, 480), curve=False,
                  setup=Setup(step=parse_step("fixed:20")))  # fmt: skip
    told = first_lines(render_heading(found, "log.csv", asked={"step"}))
    assert "hold-first over a fixed 20 ms step" in told
    assert "-72.0 deg off" in told
    assert "-72.0" not in first_lines(render_heading(found, "log.csv"))


def test_what_the_sensor_adds_stands_first_where_it_was_asked_for():
    """Even 20 ms over 3.25 s: 0.2 deg/s of white noise sums to 0.051 deg, 0.5 of bias to 1.62."""
    sensor = Sensor(noise_deg_s=0.2, bias_deg_s=0.5)
    found = study(robot(np.full(2000, 20.0)), motion=turn(360, 120, 480), curve=False,
                  setup=Setup(sensor=sensor))  # fmt: skip
    told = first_lines(render_heading(found, "log.csv", asked={"bias_deg_s"}))
    assert f"{0.2 * np.sqrt(3.25 * 0.02):.3g} deg of noise (rms), 1.62 deg of bias" in told
    lag = first_lines(render_heading(found, "log.csv", asked={"crossover_hz"}))
    assert f"loses {360 * 2 * 0.013:.3g} deg of phase margin" in lag  # 3 ms old, half of 20 held
    assert "dead reckoning" in first_lines(render_heading(found, "log.csv", asked={"speed_m_s"}))


@pytest.mark.parametrize(
    ("run", "names"),
    [
        (robot(np.full(100, 20.0), {"gyro.read": "sensor read", "drive.write": "other"}), True),
        (make_run([20.0] * 100), False),
    ],
    ids=["no write", "no calls"],
)
def test_an_unknown_use_is_said_first_with_its_option(run, names):
    """Where no call puts the heading to use, the first lines say so; without calls no option."""
    found = study(run, motion=parse_motion("steady:90"), curve=False)
    told = first_lines(render_heading(found, "log.csv"))
    assert ("use taken at the end of the reading" if names else "read and use taken at") in told
    assert ("--use-call" in told) == names


def test_what_is_assumed_of_a_heading_is_said_first():
    """No motion is given or logged: a turn is assumed; without calls the read and the use are."""
    known = study(robot(np.full(400, 20.0)), motion=parse_motion("turn:180,180,720"), curve=False)
    said = render_heading(known, "log.csv", motion_given=False).answer
    assert said.startswith("In an assumed turn of 180 deg the heading in use is up to ")
    assert render_heading(known, "log.csv").answer.startswith("The heading in use is up to ")
    bare = study(make_run([20.0] * 400), motion=parse_motion("turn:180,180,720"), curve=False)
    said = render_heading(bare, "log.csv", motion_given=False).answer
    assert said.startswith(
        "In an assumed turn of 180 deg a heading whose read and use no call shows is up to "
    )


@pytest.mark.parametrize(
    ("kinds", "said"),
    [(KINDS, "latency (age at last use)"),
     ({"gyro.read": "sensor read"}, "latency (age at the end of the reading, taken for its use)")],
)  # fmt: skip
def test_an_age_names_the_use_that_it_is_taken_at(kinds, said):
    """Where no call is known to write, the end of the reading stands for its use."""
    told = render_heading(
        study(
            robot(np.full(600, 20.0), kinds), motion=parse_motion("turn:180,180,720"), curve=False
        ),
        "log.csv",
    )
    assert said in " ".join(text_of(part for table in told.tables for part in table).split())


def test_a_weave_passes_no_tolerance_by_cancelling():
    """Read at 0, used from 3 to 13 ms of 10: 8 ms old, at 60 deg and 0.2 Hz 4 A f a = 6.7 mm.

    Its 3 ms stay at other rates: 5 mm are 5.97 ms, so loops of 5.94, 168 a second. The lowest that
    is looked at, 5 a second, makes 86 mm: 150 mm need no more.
    """
    run = robot(np.full(1000, 10.0))
    say = {}
    for mm in (5.0, 150.0):
        found = study(run, motion="weave:60,0.2", tolerance=Tolerance(mm=mm))
        say[mm] = heading_sentence(found)
        assert found.path.sideways.value == pytest.approx(6.70e-3, rel=2e-3)
        rate = found.required["tolerance_mm"].by_pattern["even"].value
        assert rate == pytest.approx({5.0: 168.4, 150.0: 5.0}[mm], rel=3e-3)
    assert "takes the robot 6.70 mm a metre sideways, left and right added (0 mm with" in say[5.0]
    assert "misses 5 mm a metre by its mean rate: it takes 168 loops a second" in say[5.0]
    assert "150 mm a metre needs 5.00 or fewer loops a second, and this log keeps it" in say[150.0]
    steady = heading_sentence(study(run, motion="steady:90", tolerance=Tolerance(mm=30.0)))
    assert "takes the robot 12.6 mm a metre sideways; 30 mm a metre needs" in steady
