"""The whole study: what goes with what, and what is said where something is missing."""

import json
from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.controllers import Controller, Wheel, parse_target
from looptime.errors import UsageError
from looptime.project import Project
from tests.build_run import make_run
from tests.heading.logs import robot_run

MAST = Controller(
    "mast", "gyro.read", "drive.write", form="fixed step", step_ms=20, kp=2.0, ki=0.5,
    plant="position", full_speed=1.5, time_constant_ms=40, target=parse_target("step:0.4"),
    tolerance=0.01, unit="m",
)  # fmt: skip


def test_documented_keys():
    """Every documented key is there, and all of it is JSON."""
    wheels = (Wheel("a", "gyro.read", "drive.write"), Wheel("b", "lift.read", "drive.write"))
    found = looptime.control(
        robot_run(1500), project=Project(controllers=(MAST,), wheels=wheels, max_steering_deg_s=90)
    ).to_dict()
    json.dumps(found, allow_nan=False)
    one = found["controllers"][0]
    assert one.keys() >= {
        "name", "form", "steps_ms", "effective", "factors", "age_ms", "latency_ms",
        "phase_lost_deg", "noise", "stability", "response",
    }  # fmt: skip
    assert one["steps_ms"].keys() == one["effective"]["ki"].keys() == {"p1", "p50", "p99"}
    assert one["stability"].keys() >= {
        "state", "growth_per_s", "spectral_radius", "mean_square_limit", "slowest_stable_ms",
        "gain_margin", "phase_margin_deg",
    }  # fmt: skip
    assert one["response"].keys() >= {"recorded", "even", "curve", "required_rate_hz"}
    for side in ("recorded", "even"):
        for name in ("overshoot", "settle_ms", "following_rms", "following_max"):
            assert one["response"][side][name].keys() == {"mean", "p95", "worst"}
    assert found["steering"].keys() >= {
        "read_spread_ms", "write_spread_ms", "inconsistency_deg", "drag_mm_per_m",
        "fight_mm_per_m", "odometry_mm_per_m", "odometry_deg_per_turn",
    }  # fmt: skip
    assert [w["name"] for w in found["wheels"]]


def test_controllers_asked_for_together_are_those_asked_for_alone():
    """Two of one law, one with another gain and one with another target: the same to the bit."""
    alike = replace(MAST, name="alike", read_call="lift.read")
    other = replace(MAST, name="other", kp=1.0)
    way = replace(MAST, name="way", target=parse_target("trapezoid:0.4,1,4"))
    chosen, run = (MAST, alike, other, way), robot_run(1500)
    together = looptime.control(run, controllers=chosen).to_dict()["controllers"]
    for one, found in zip(chosen, together, strict=True):
        alone = looptime.control(run, controllers=[one]).to_dict()["controllers"][0]
        assert alone["response"]["recorded"]["overshoot"]["mean"] is not None
        assert json.dumps(found) == json.dumps(alone)


def test_age_and_phase_lost():
    """Even loops of 20 ms read at 2 ms and used at 12 ms: 10 + 10 ms old, 7.2 degrees a Hz."""
    run = make_run([20.0] * 400, [("m.read", 2, 3), ("m.write", 11, 1)])
    found = looptime.control(run, controllers=[Controller("m", "m.read", "m.write", kp=1)])
    one = found.controllers[0]
    assert one.latency_ms.value == pytest.approx(10.0)
    assert one.age_ms.value == pytest.approx(20.0)
    assert one.phase_lost_deg.value == pytest.approx(7.2)
    assert any("no mechanism is stated" in note for note in one.notes)


def test_on_the_motors_own_controller():
    """The pace changes the age of its set-point only: gains and stability stay out of it."""
    stated = Controller("m", "gyro.read", "drive.write", kp=1, kd=2, runs_on="device",
                        plant="speed", full_speed=2)  # fmt: skip
    one = looptime.control(robot_run(300), controllers=[stated]).controllers[0]
    assert one.model.stability is None
    assert set(one.effective.derivative.values()) == {1.0}
    assert one.age_ms.value > 0


def test_without_calls_of_its_own():
    """No read call named: the loop's start stands for it, and that is said."""
    one = looptime.control(robot_run(300), controllers=[Controller("m", kp=1)]).controllers[0]
    assert "measured value read unknown: taken as the loop's start" in one.notes


def test_a_controller_of_another_log_is_passed_over():
    """Of two controllers one has no calls here: it says so, the other is answered."""
    other = Controller("arm", "arm.read", "drive.write", kp=1)
    found = looptime.control(robot_run(1000), controllers=[MAST, other], curve=False)
    assert found.controllers[0].error is None
    assert "arm.read" in found.controllers[1].error
    with pytest.raises(UsageError, match=r"arm\.read"):
        looptime.control(robot_run(300), controllers=[other])


def controlled(written):
    """The mast's controller where `written` says of each loop whether it writes."""

    def calls(k):
        write = [("drive.write", 5, 0.5)] if written[k] else []
        return [("gyro.read", 1, 0.5), ("lift.write", 7, 0.5), *write]

    steady = Controller("lift", "gyro.read", "lift.write", kp=1)
    run = make_run([10.0] * len(written), calls)
    return looptime.control(run, controllers=[MAST, steady], curve=False).controllers[0]


def test_an_output_that_is_written_when_it_changes():
    """What the controller does between the writes is not in the log; even writes are its pace."""
    change = np.random.default_rng(5).random(600) < 0.25
    assert "can't tell: its output is written in" in controlled(change).error
    third = controlled(np.arange(600) % 3 == 0)
    assert third.error is None
    assert third.effective.steps_ms["p50"] == pytest.approx(30.0)
    assert controlled(np.arange(600) % 50 > 0).error is None  # one loop in fifty is skipped


def test_a_fit_takes_the_place_of_the_constants():
    """The mechanism that the signals show is the one that is played."""
    rng = np.random.default_rng(2)
    output, x, seen = np.repeat(rng.uniform(-1, 1, 60), 10), 0.0, []
    for u in output:
        seen.append(x)
        x += 0.8 * 0.02 * u
    run = make_run([20.0] * 600, signals={"out": output, "m": seen})
    stated = Controller("mast", kp=2.0, plant="position", target=parse_target("step:0.1"))
    one = looptime.control(run, controllers=[stated], fit=("out", "m"), curve=False).controllers[0]
    assert one.fit.used
    assert one.stated.full_speed == pytest.approx(0.8, rel=1e-3)
    assert one.model.stability.state == "settles"
    told = looptime.control(
        run, controllers=[Controller("mast", kp=2.0)], fit=("out", "m"), curve=False
    ).controllers[0]
    assert told.stated.plant == told.fit.plant == "position"
    assert told.fit.full_speed.value == pytest.approx(0.8, rel=1e-3)
    with pytest.raises(UsageError, match="one controller"):
        looptime.control(run, controllers=[stated, MAST], fit=("out", "m"))


def test_nothing_stated():
    """What to write is said."""
    with pytest.raises(UsageError, match=r"\[\[controller\]\]"):
        looptime.control(robot_run(300))


def test_a_project_of_another_robot():
    """None of its controllers fits: the nearest name, and where this log's own calls are named."""
    run = make_run([10.0] * 300, lambda k: [("lift.read", 1, 0.5), ("lift.write", 7, 0.5)])
    stated = Project(controllers=(
        Controller("mast", "mast.reed", "mast.write"), Controller("arm", "arm.read", "arm.write")
    ))  # fmt: skip
    with pytest.raises(UsageError) as raised:
        looptime.control(run, project=stated)
    for said in ("mast", "nor does the other", "[[controller]] in looptime.toml"):
        assert said in str(raised.value)


def test_required_rate_and_who_misses_it():
    """A log whose stalls miss the tolerance while even loops at its rate meet it."""
    run = robot_run(2500)
    quick = Controller(
        "q", "gyro.read", "drive.write", kp=34.0, output_limit=99, plant="position", full_speed=1.0,
        target=parse_target("step:1"), tolerance=0.05,
    )  # fmt: skip
    model = looptime.control(run, controllers=[quick]).controllers[0].model
    assert model.even.overshoot.p95 <= 0.05
    worst = model.recorded.overshoot.worst
    assert worst > 0.05
    need = model.required
    assert (need.figure, need.limit) == ("overshoot", 0.05)
    meets = {p.rate_hz: p.response.overshoot.p95 for p in model.curve if p.pattern == "even"}
    lowest = min(r for r in meets if all(meets[s] <= 0.05 for s in meets if s >= r))
    assert max(r for r in meets if r < lowest) < need.even_hz <= lowest
    assert (need.missed_by is None) == (model.recorded.overshoot.p95 <= 0.05)


@pytest.mark.parametrize("overshoot", [0.03, 0.2])
def test_the_required_rate_is_where_the_overshoot_crosses_the_tolerance(overshoot):
    """Proportional control of ``x' = K u`` oversteps by ``K kp T - 1`` after a loop of T."""
    run = make_run([10.0] * 2000, [("a.read", 0, 0), ("a.write", 0, 0)],
                   {"a.read": "sensor read", "a.write": "actuator write"})  # fmt: skip
    one = Controller(
        "q", "a.read", "a.write", kp=30.0, output_limit=99, plant="position", full_speed=1.0,
        target=parse_target("step:1"), tolerance=overshoot,
    )  # fmt: skip
    need = looptime.control(run, controllers=[one]).controllers[0].model.required
    for told in (need.even_hz, need.log_shape_hz):
        assert told == pytest.approx(30 / (1 + overshoot), rel=3e-3)


@pytest.mark.parametrize(
    ("kp", "limit", "said"),
    [(1.6, None, True), (0.9, None, False), (1.6, 1.0, False), (1.6, 2.0, False)],
)
def test_a_cut_that_nobody_states_is_said_where_the_move_reaches_it(kp, limit, said):
    """A step of 1 asks for kp times full scale at first, which is cut at 1 unless stated."""
    run = make_run([20.0] * 400, lambda _: [("gyro", 0.1, 1.0), ("steer", 5.0, 2.0)], {})
    stated = Controller("turn", "gyro", "steer", kp=kp, plant="position", full_speed=2.0,
                        time_constant_ms=60.0, target=parse_target("step:1"),
                        output_limit=limit)  # fmt: skip
    notes = looptime.control(run, controllers=[stated]).notes
    assert any("full scale" in note and "--output-limit" in note for note in notes) is said
