"""Which rates are enough, against the code played in steps of 10 us and against closed forms."""

import math

import numpy as np
import pytest

import looptime
from looptime.controllers import Controller, parse_target
from looptime.controlling.enough import stops_helping
from looptime.controlling.moves import CurvePoint
from looptime.controlling.response import Response, Spread
from looptime.views.figures.control_figures import rate_curves
from looptime.views.text.control_answer import reasons
from looptime.views.text.control_text import render_control
from looptime.views.text.terminal import show
from tests.build_run import make_run
from tests.controlling.brute import Code, Machine, figures, simulate

CALLS = [("tray.read", 0, 0), ("tray.write", 0, 0)]
KINDS = {"tray.read": "sensor read", "tray.write": "actuator write"}


def judged(period_ms=10.0, loops=1500, stalls_ms=0.0, **keys):
    """The study over even loops whose reading is used at once, one in 25 of them a stall."""
    one = Controller("tray", "tray.read", "tray.write", **keys)
    periods = np.full(loops, period_ms)
    periods[25::25] += stalls_ms
    return looptime.control(make_run(periods.tolist(), CALLS, KINDS), controllers=[one])


def played(rate_hz, code, machine, way, tolerance, horizon):
    """Overshoot and settling time [ms] of a step played at a rate, begun with a loop."""
    at = np.arange(math.ceil(horizon * rate_hz) + 2) / rate_hz
    time, value = simulate(Code(**code), machine, ("step", (way,)), at, at, at, horizon)
    over, settles, *_ = figures(time, value, ("step", (way,)), tolerance)
    return over, settles


#: A lift whose derivative, over an assumed step, is so strong that slow loops chatter from limit
#: to limit and creep: it is a long way from arriving when they are looked at.
CHATTER = {"form": "fixed step", "kp": 0.8, "kd": 0.15}


def chattering():
    """Its study, at a pace at which it settles."""
    return judged(
        **CHATTER, step_ms=10.0, plant="position", full_speed=4.0, time_constant_ms=120.0,
        target=parse_target("step:3.0"), tolerance=0.08,
    )  # fmt: skip


def edge_hz(low=10.0, high=60.0):
    """The rate at which `CHATTER` begins to grow: its state is (x, v, last error)."""

    def radius(rate):
        T, K, tau, h = 1 / rate, 4.0, 0.12, 0.01
        kept = math.exp(-T / tau)
        went = tau * (1 - kept)
        by = np.array([-(0.8 + 0.15 / h), 0.0, -0.15 / h])  # output for e = -x, last error e'
        x = np.array([1.0, went, 0.0]) + K * (T - went) * by
        v = np.array([0.0, kept, 0.0]) + K * (1 - kept) * by
        return np.abs(np.linalg.eigvals(np.array([x, v, [-1.0, 0.0, 0.0]]))).max()

    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if radius(middle) >= 1 else (low, middle)
    return high


def test_a_rate_at_which_the_loop_grows_is_not_enough():
    """Its output cut at the limit, a loop that grows shows no overshoot: it has not arrived."""
    model = chattering().controllers[0].model
    assert model.stability.state == "settles"
    machine = Machine("position", 4.0, 0.12)
    slow = played(5.0, {**CHATTER, "h": 0.01, "limit": 1.0}, machine, 3.0, 0.08, 3.75)
    assert slow[0] == 0.0  # nothing beyond the target, for it is short of it
    assert not math.isfinite(slow[1])
    need, edge = model.required, edge_hz()
    assert min(need.even_hz, need.log_shape_hz) >= edge
    for rate in (need.even_hz, need.log_shape_hz):
        over, settles = played(1.02 * rate, {**CHATTER, "h": 0.01, "limit": 1.0}, machine, 3.0,
                               0.08, 6.0)  # fmt: skip
        assert over <= 0.08
        assert math.isfinite(settles)
    assert need.slower == "unfinished"
    assert need.why == "slower ones do not come to rest within it in the 3.75 s followed"
    for point in model.curve:
        assert (point.state == "grows") == (point.rate_hz < edge)
    if model.stops_helping_hz is not None:
        assert model.stops_helping_hz >= need.log_shape_hz


def test_loops_that_grow_are_not_said_to_be_best(capsys):
    """Neither in the table, nor in the sentence below it, nor in the figure."""
    found = chattering()
    show(render_control(found, "a.csv").parts(full=True))
    said = capsys.readouterr().out
    assert "grows      grows" in said
    assert "least near" not in said  # what it overshoots at 450 Hz is nothing beside the tolerance
    one = found.controllers[0]
    even = [p for p in one.model.curve if p.pattern == "even"]
    drawn = rate_curves(one).figure["data"][0]["y"]
    assert [y is None for y in drawn] == [p.state != "settles" for p in even]


def test_small_swings_within_the_tolerance_are_no_rest():
    """``x' = u``, kp 34, cut at 0.1: at 5 Hz it goes to and fro by 0.02, and grows below 17 Hz."""
    model = judged(
        form="measured step", kp=34.0, output_limit=0.1, plant="position", full_speed=1.0,
        target=parse_target("step:0.1"), tolerance=0.05,
    ).controllers[0].model  # fmt: skip
    slowest = next(p for p in model.curve if p.pattern == "even")
    assert slowest.response.overshoot.p95 <= 0.05
    assert slowest.response.settle_ms.p95 is not None
    assert min(model.required.even_hz, model.required.log_shape_hz) >= 17.0


def test_a_move_that_never_arrives_keeps_nothing():
    """A belt, proportional: ``v = K kp/(1 + K kp)`` of the target, a third short of it."""
    found = judged(
        kp=2.0, form="measured step", plant="speed", full_speed=1.0, time_constant_ms=100.0,
        output_limit=9.0, target=parse_target("step:0.3"), tolerance=0.01,
    )  # fmt: skip
    model = found.controllers[0].model
    assert model.trace.even[-1] == pytest.approx(0.2, rel=1e-3)
    need = model.required
    assert (need.even_hz, need.log_shape_hz, need.kept_hz) == (None, None, None)
    assert need.recorded_state == need.even_state == "unfinished"
    assert need.missed_by == "mean rate"
    assert "does not come to rest within it" in need.why
    said = " ".join(reasons(found))
    assert "tray does not come to rest within its tolerance of 0.01" in said
    assert need.why in said


def test_rates_between_which_it_is_kept():
    """A derivative per loop: slow loops grow, fast ones hardly damp; between them it is kept."""
    gains = {"form": "per loop", "kp": 6.0, "kd": 48.0}
    found = judged(
        14.0, **gains, plant="position", full_speed=1.0, time_constant_ms=150.0,
        target=parse_target("step:0.4"), tolerance=0.008,
    )  # fmt: skip
    model = found.controllers[0].model
    need, machine = model.required, Machine("position", 1.0, 0.15)
    assert need.log_shape_hz is None
    low, high = need.kept_hz
    for rate, kept in ((1.05 * low, True), (0.95 * high, True), (1.05 * high, False)):
        over, settles = played(rate, {**gains, "limit": 1.0}, machine, 0.4, 0.008, 4.0)
        assert (over <= 0.008 and math.isfinite(settles)) == kept
    assert f"{low:.3g} to {high:.3g} loops a second" in need.why
    assert "measure the step" in need.why
    assert need.why in " ".join(reasons(found))


#: A tray lift that overshoots where loops are slow.
LIFT = {"form": "fixed step", "kp": 6.0}


def lift(**keys):
    """The rates that it needs, and how it went."""
    model = judged(**LIFT, step_ms=10.0, plant="position", full_speed=1.0, time_constant_ms=40.0,
                   **{"target": parse_target("step:0.4"), "tolerance": 0.02} | keys)  # fmt: skip
    return model.controllers[0].model.required


@pytest.mark.parametrize("stalls_ms", [140.0, 290.0])
def test_stalls_ask_for_a_faster_loop_or_no_rate_keeps_it(stalls_ms):
    """Even loops do at the rate at which the lift, played, overshoots by just what is allowed."""
    need, machine = lift(stalls_ms=stalls_ms), Machine("position", 1.0, 0.04)
    for rate, kept in ((0.97 * need.even_hz, False), (1.03 * need.even_hz, True)):
        over, settles = played(rate, {**LIFT, "h": 0.01, "limit": 1.0}, machine, 0.4, 0.02, 6.0)
        assert (over <= 0.02, math.isfinite(settles)) == (kept, True)
    if stalls_ms < 200:
        assert need.log_shape_hz > 2 * need.even_hz
        assert (need.slower, need.kept_hz, need.missed_by) == ("over", None, None)
        assert need.why == "slower ones exceed it"
    else:
        assert (need.log_shape_hz, need.kept_hz, need.missed_by) == (None, None, "stalls")
        assert need.why == (f"with these stalls no rate keeps it, even loops do from "
                            f"{need.even_hz:.3g} loops a second on")  # fmt: skip


def test_what_is_held_to_the_tolerance():
    """A step by its overshoot, a target that moves by how far it is followed; else nothing is."""
    assert lift().figure == "overshoot"
    assert lift(target=parse_target("trapezoid:0.8,0.5,1"), tolerance=0.2).figure == "following_max"
    assert lift(tolerance=None) is None


def point(rate_hz, over, settle_ms, state="settles"):
    """A point of the log's shape."""
    spreads = [Spread(x, x, x) for x in (over, settle_ms, None, None)]
    return CurvePoint("log shape", rate_hz, Response(*spreads, 20), state=state)


def test_what_stops_helping():
    """A tenth of the overshoot and of the settling time; slower loops that fail are no choice."""
    same = [point(rate, 0.01, 500.0) for rate in (10.0, 20.0, 40.0, 80.0)]
    assert stops_helping(tuple(same), "overshoot") == 10.0
    late = [point(10.0, 0.01, 900.0), *same[1:]]
    assert stops_helping(tuple(late), "overshoot") == 20.0
    for state in ("grows", "unfinished"):
        lost = [point(10.0, 0.0, 500.0, state), *same[1:]]
        assert stops_helping(tuple(lost), "overshoot") == 20.0
        assert stops_helping((*same[:3], point(80.0, 0.0, None, state)), "overshoot") is None
