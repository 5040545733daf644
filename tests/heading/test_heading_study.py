"""The whole study: its JSON, its books, its refusals."""

import json
import math
import subprocess
import sys
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from looptime.errors import LooptimeError, NotEnoughError, UsageError
from looptime.heading import (
    CAUTIONS,
    AssumedStep,
    Labels,
    Lead,
    Sensor,
    Setup,
    Tolerance,
    study,
)
from looptime.run import Signals
from tests.build_run import make_flat_run
from tests.heading.logs import robot_run
from tests.parsers.build import read

KEYS = {
    "motion", "sampling", "stale_heading_deg", "integrated_heading_deg", "path",
    "phase_lost_deg", "curve", "required_rate_hz", "parts", "cautions", "supposed", "stalls",
    "recorded_motion", "motion_assumed", "greatest_rate_deg_s", "notes",
}  # fmt: skip


def _even_run(period_ms=10, n=1000):
    calls = {"gyro.read": np.full(n, 1_000_000), "drive.write": np.full(n, 2_000_000)}
    kinds = {"gyro.read": "sensor read", "drive.write": "actuator write"}
    return make_flat_run(np.full(n, period_ms * 1_000_000), calls, kinds)


@pytest.mark.parametrize(
    ("motion", "tolerance"),
    [
        ("turn:180,180,720", None),
        ("steady:90", Tolerance(mm=30.0)),
        ("weave:20,1.5", Tolerance(2.0, 30.0)),
    ],
)
def test_json_has_the_documented_keys_and_no_nan(motion, tolerance):
    """Every documented key is there, figures with uncertainty are value, low, high."""
    found = study(robot_run(2000), motion=motion, tolerance=tolerance).to_dict()
    text = json.dumps(found, allow_nan=False)
    assert json.loads(text) == found
    assert set(found) == KEYS
    assert found["motion"] == motion
    assert set(found["sampling"]) == {"pattern", "rate_hz", "reading_age_ms"}
    assert set(found["sampling"]["reading_age_ms"]) == {"mean", "max"}
    assert set(found["stale_heading_deg"]) == {"mean", "rms", "p95", "max"}
    assert set(found["integrated_heading_deg"]) == {"method", "step", "end", "per_minute", "growth"}
    assert set(found["path"]) == {"lateral_mm_per_m", "sideways_mm_per_m", "end_offset_mm"}
    for figure in (
        found["sampling"]["rate_hz"], found["stale_heading_deg"]["mean"],
        found["path"]["lateral_mm_per_m"], found["integrated_heading_deg"]["per_minute"],
        found["curve"][3]["stale_heading_deg"]["p95"],
        found["integrated_heading_deg"]["end"]["rms"],
    ):  # fmt: skip
        assert set(figure) == {"value", "low", "high"}
    assert (found["required_rate_hz"] is None) == (tolerance is None)


def test_even_loops_through_the_whole_study():
    """10 ms loops, read at 0, used at 3 ms, 180 deg/s: every figure by its closed form."""
    w, T, L = math.radians(180), 0.01, 0.003
    setup = Setup(crossover_hz=2.5)
    found = study(_even_run(), motion="steady:180", setup=setup, curve=False).to_dict()
    stale = found["stale_heading_deg"]
    assert stale["mean"]["value"] == pytest.approx(180 * (T / 2 + L), rel=1e-9)
    assert stale["rms"]["value"] == pytest.approx(
        180 * math.sqrt((T / 2 + L) ** 2 + T**2 / 12), rel=1e-9
    )
    assert stale["max"] == pytest.approx(180 * (L + T), rel=1e-9)
    x = w * T / 2
    assert found["path"]["lateral_mm_per_m"]["value"] == pytest.approx(
        1e3 * math.sin(w * (L + T / 2)) * math.sin(x) / x, rel=1e-9
    )
    assert found["phase_lost_deg"]["value"] == pytest.approx(360 * 2.5 * 0.008, rel=1e-9)
    assert found["sampling"]["rate_hz"]["value"] == pytest.approx(100)
    parts = found["parts"]["mean_age_ms"]
    assert (parts["latency"]["value"], parts["hold"]["value"]) == pytest.approx((3.0, 5.0))
    assert parts["unevenness"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert found["integrated_heading_deg"]["growth"]["law"] == "bounded"
    assert found["integrated_heading_deg"]["growth"]["coefficient"]["value"] == 0.0


def test_parts_add_up():
    """Both tables of parts add up to their totals."""
    setup = Setup(sensor=Sensor(noise_deg_s=0.3, bias_deg_s=0.1, density_deg_rt_s=0.02))
    parts = study(robot_run(), motion="turn:90,180,720", setup=setup, curve=False).to_dict()[
        "parts"
    ]
    age = parts["mean_age_ms"]
    assert sum(age[k]["value"] for k in ("latency", "hold", "unevenness")) == pytest.approx(
        age["mean"]["value"]
    )
    squares = parts["integrated_deg2"]
    assert sum(squares[k] for k in ("timing", "rule", "noise", "bias")) == pytest.approx(
        squares["total"]
    )
    assert squares["bias"] == pytest.approx((0.1 * 0.75) ** 2)
    # each reading weighs about its step of 10.3 ms: n^2 T over the motion, and the density's q^2 t
    assert squares["noise"] == pytest.approx(0.3**2 * 0.0103 * 0.75 + 0.02**2 * 0.75, rel=0.15)


def test_timing_part_is_zero_for_even_loops_and_positive_for_jitter():
    """What uneven steps add is measured against even loops of the same mean rate."""
    even = study(_even_run(), motion="turn:90,180,720", curve=False).integrated.squares
    rough = study(robot_run(), motion="turn:90,180,720", curve=False).integrated.squares
    assert abs(even.timing) < 1e-3 * rough.timing
    assert rough.timing > 10 * rough.rule


def test_read_end_is_shown_beside_read_start():
    """Where the read is a call, both instants' ages are there, apart by the call's length."""
    found = study(robot_run(), motion="steady:90", curve=False)
    start, end = found.age_if["start"].mean_ms.value, found.age_if["end"].mean_ms.value
    assert start == pytest.approx(found.age.mean_ms.value)
    assert start - end == pytest.approx(1.2, rel=0.01)


def test_fixed_step_grows_linearly():
    """A step assumed 5 % too long drifts by 5 % of the angle: 540 deg a minute at 180 deg/s."""
    setup = Setup(step=AssumedStep("fixed", 0.0105))
    found = study(_even_run(n=6000), motion="steady:180", setup=setup, curve=False).to_dict()
    growth = found["integrated_heading_deg"]["growth"]
    assert growth["law"] == "linear"
    assert growth["unit"] == "deg/min"
    assert found["integrated_heading_deg"]["per_minute"]["value"] == pytest.approx(540, rel=1e-3)
    assert found["integrated_heading_deg"]["step"] == "fixed:10.5"


def test_turns_in_jitter_walk():
    """Turn after turn with jittered loops the heading walks: square-root growth."""
    run = robot_run(30_000)
    found = study(run, motion="turn:90,180,720", curve=False, sample_loops=None)
    assert found.integrated.growth.law == "square-root"
    one = found.integrated.end.rms.value
    assert found.integrated.per_minute.value == pytest.approx(one * math.sqrt(60 / 0.75), rel=0.3)


def test_lead_measured_leaves_the_hold():
    """With the measured age added a steady turn keeps only the hold's share."""
    found = study(_even_run(), motion="steady:180", setup=Setup(lead=Lead("measured")), curve=False)
    assert math.degrees(found.stale.mean.value) == pytest.approx(180 * 0.005, rel=1e-9)


def test_patterns_and_rates():
    """Even loops at a rate, and the log's shape and the scaled log beside them."""
    run = robot_run()
    for pattern in ("even", "log shape", "scaled"):
        found = study(run, motion="steady:90", pattern=pattern, rate_hz=50.0, curve=False)
        assert found.pattern == pattern
        if pattern != "log shape":
            assert found.rate_hz.value == pytest.approx(50.0)
        assert found.age.hold_ms.value == pytest.approx(10, rel=0.05)
    assert found.age.unevenness_ms.value > 0
    scaled = study(robot_run(500), motion="steady:90", pattern="scaled", rate_hz=50.0)
    assert {p.pattern for p in scaled.curve} == {"even", "log shape", "scaled"}


def test_recorded_motion_weighs_stalls_by_the_rate_at_which_they_happened():
    """Stalls while the robot stands cost nothing, the same stalls while it turns do."""
    n = 2000
    costs = []
    for turning in (True, False):
        period = np.full(n, 10_000_000)
        at = np.arange(n) % 200
        moving = at < 100
        period[(at % 20 == 10) & (moving == turning)] = 60_000_000
        run = make_flat_run(period)
        rate = np.where(moving, 90.0, 0.0)
        heading = np.cumsum(rate * period / 1e9) - rate * period / 1e9
        signals = Signals(run.loop_columns.start_ns, np.arange(n), {"heading_deg": heading})
        found = study(replace(run, signals=signals), motion="recorded", curve=False)
        costs.append(math.degrees(found.stale.rms.value))
    # turning: 100 loops a cycle, 5 of them stalled for 60 ms; standing: the same loops unstalled
    turning_s = (95 * 0.01**3 + 5 * 0.06**3) / 3 * 90**2 / (195 * 0.01 + 5 * 0.06)
    standing_s = 100 * 0.01**3 / 3 * 90**2 / (195 * 0.01 + 5 * 0.06)
    assert costs[0] == pytest.approx(math.sqrt(turning_s), rel=0.05)
    assert costs[1] == pytest.approx(math.sqrt(standing_s), rel=0.1)


def test_recorded_study_has_everything():
    """A recorded motion goes through the whole study, curve and required rate included."""
    run = robot_run(1500)
    t = run.loop_columns.start_ns / 1e9
    signals = Signals(run.loop_columns.start_ns, np.arange(1500), {"heading_deg": 90 * np.sin(t)})
    found = study(replace(run, signals=signals), motion="recorded", tolerance=Tolerance(2.0))
    json.dumps(found.to_dict(), allow_nan=False)
    # mean |rate| of 90 sin t is 90 x 2/pi
    assert math.degrees(found.stale.mean.value) == pytest.approx(
        90 * 2 / math.pi * found.age.mean_ms.value / 1e3, rel=0.02
    )
    assert any("fresh values" in note for note in found.notes)
    even = [p for p in found.curve if p.pattern == "even"]
    assert even[0].stale.mean.value > 5 * even[-1].stale.mean.value


def test_recorded_motion_of_a_run_with_gaps_uses_its_longest_stretch():
    """Where loops are left out, the recorded motion is taken from the longest unbroken stretch."""
    run = robot_run(1500)
    t = run.loop_columns.start_ns / 1e9
    signals = Signals(run.loop_columns.start_ns, np.arange(1500), {"heading_deg": 90 * np.sin(t)})
    keep = np.ones(1500, bool)
    keep[300:320] = False
    found = study(replace(run, signals=signals).select(keep), motion="recorded", curve=False)
    assert any("320" not in n and "300 loops are left out" in n for n in found.notes)
    assert (found.loops_used, found.loops_in_run) == (1179, 1480)


def test_long_logs_are_sampled_and_say_so():
    """Beyond 20,000 loops stretches of the log answer, near to what all of it says."""
    run = robot_run(45_000)
    some = study(run, motion="turn:180,180,720", curve=False)
    every = study(run, motion="turn:180,180,720", curve=False, sample_loops=None)
    assert some.loops_used == 20_000
    assert some.to_dict()["parts"]["loops"] == {"used": 20_000, "in_run": 45_000, "warmup": 0}
    assert some.stale.mean.value == pytest.approx(every.stale.mean.value, rel=0.02)
    assert any("20,000 of 44,999 loops" in note for note in some.notes)


def test_resolution_is_reported():
    """A whole-degree sensor on 10 ms loops loses turns below 100 deg/s."""
    setup = Setup(sensor=Sensor(resolution_deg=1.0))
    found = study(_even_run(), motion="turn:90,90,360", setup=setup, curve=False)
    assert found.resolution.lost_below_deg_s == pytest.approx(100)
    # the turn never exceeds 90 deg/s, so all of it is lost
    assert math.degrees(found.integrated.end.mean.value) == pytest.approx(-90, rel=1e-9)


def test_same_seed_same_answer():
    """A study repeats itself to the last digit."""
    setup = Setup(sensor=Sensor(update_ms=25, seed=4), seed=9)
    one, other = (
        study(robot_run(1500), motion="turn:90,180,720", setup=setup, curve=False).to_dict()
        for _ in range(2)
    )
    assert one == other


def test_required_rates_carry_their_cautions():
    """The cautions speak of wheels, stop control, maker, rules and safety staff."""
    found = study(robot_run(1500), motion="steady:180", tolerance=Tolerance(mm=30.0))
    assert found.cautions == CAUTIONS
    text = " ".join(found.cautions)
    for word in (
        "wheels off the floor",
        "stop control",
        "maker",
        "rules",
        "safety staff",
        "safety case",
    ):
        assert word in text
    assert found.to_dict()["cautions"] == list(found.cautions)
    required = found.to_dict()["required_rate_hz"]["tolerance_mm"]
    keys = {"tolerance", "judged", "even", "log_shape", "missed_by", "fastest"}
    assert set(required) == keys
    assert required["tolerance"] == 30.0


@pytest.mark.parametrize(
    ("kind", "options", "says"),
    [
        (NotEnoughError, {"motion": "turn:3600,10,10"}, "too short for the motion"),
        (UsageError, {"motion": "steady:90", "pattern": "even", "rate_hz": -5.0}, "cannot be"),
        (UsageError, {"motion": "steady:90", "pattern": "even"}, "loop rate goes with"),
        (UsageError, {"motion": "steady:90", "rate_hz": 50.0}, "loop rate goes with"),
        (UsageError, {"motion": "steady:90", "pattern": "odd", "rate_hz": 5.0}, "is not known"),
        (NotEnoughError, {"motion": "recorded"}, "no heading and no turn rate"),
        (
            UsageError,
            {"motion": "steady:90", "setup": Setup(labels=Labels("gyro.rread"))},
            "the nearest is 'gyro.read'",
        ),
    ],
)
def test_bad_input_is_one_clear_line(kind, options, says):
    """What cannot be is refused with one line and the right class of error."""
    with pytest.raises(kind, match=says) as caught:
        study(robot_run(1000), **options)
    assert isinstance(caught.value, LooptimeError)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("loops", [3, 20, 60])
@pytest.mark.parametrize("motion", ["steady:90", "weave:20,3", "turn:1,90,900"])
def test_short_logs_give_figures_without_intervals(loops, motion):
    """Below five loops a block there is a value but no interval, and never a NaN."""
    run = _even_run(n=loops)
    if motion.startswith("turn") and loops == 3:
        with pytest.raises(NotEnoughError, match="too short"):
            study(run, motion=motion)
        return
    found = study(run, motion=motion, tolerance=Tolerance(2.0)).to_dict()
    json.dumps(found, allow_nan=False)
    mean = found["stale_heading_deg"]["mean"]
    assert mean["value"] > 0
    assert (mean["low"], mean["high"]) == (None, None)


@pytest.mark.parametrize("wrong", [{"deg": 0.0}, {"mm": -3.0}, {"judged": "median"}])
def test_bad_tolerances_are_refused(wrong):
    """Tolerances are above 0 and hold for a known figure."""
    with pytest.raises(UsageError):
        Tolerance(**wrong)


def test_nothing_heavy_is_imported():
    """The package needs neither pandas nor plotly nor scipy.stats to be imported."""
    code = (
        "import sys, looptime.heading as h; h.parse_motion('steady:90');"
        "print([m for m in ('pandas', 'plotly', 'dash', 'scipy.stats') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_memory_does_not_grow_with_how_long_a_run_lasts():
    """A wrong unit makes loops of days: what is told of growth takes no more room for it."""
    run = _even_run(period_ms=100_000_000, n=400)
    tracemalloc.start()
    study(run, motion="turn:90,120,480", curve=False)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 300e6


@pytest.mark.parametrize(
    ("motion", "fastest"),
    [("steady:90", 90), ("turn:20,180,720", 120), ("weave:20,1.5", 2 * np.pi * 1.5 * 20)],
)
def test_the_greatest_rate_of_a_motion(motion, fastest):
    """A turn too short for its rate has its peak at the root of angle x acceleration."""
    found = study(_even_run(), motion=motion, curve=False).to_dict()
    assert found["greatest_rate_deg_s"] == pytest.approx(fastest)
    assert found["motion_assumed"] is False


def test_one_reading_in_the_log_is_too_few(tmp_path):
    """The gyro is read in the first of 100 loops: no later heading is known to be old."""
    rows = [f"{10 * k},{'' if k else 0.7},2.5\n" for k in range(100)]
    run = read(tmp_path, "time_ms,gyro.read_ms,drive.write_ms\n" + "".join(rows))
    with pytest.raises(NotEnoughError, match="one reading of the heading"):
        study(run, motion="steady:90", curve=False)


def test_a_motion_that_no_robot_makes():
    """1e12 deg/s over a quarter of 10 s are 4e10 rad."""
    with pytest.raises(UsageError, match="turns by up to 1e\\+12 deg/s"):
        study(_even_run(), motion="steady:1e12", curve=False)
