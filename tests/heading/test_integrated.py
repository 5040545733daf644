"""Heading integrated from a gyro: closed forms, orders of convergence, noise."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.errors import NotEnoughError, UsageError
from looptime.heading.integrated import (
    RULES,
    AssumedStep,
    end_errors,
    errors_along,
    noise_variance,
    parse_step,
    random_starts,
    reading_weights,
    stepped_errors,
)
from looptime.heading.motion import Profile, Steady, Weave, turn
from looptime.heading.pattern import Sampling, blocks_of, even
from tests.heading.logs import jittered


def _from_steps(hold):
    use = np.concatenate([[0.0], np.cumsum(hold)])
    return Sampling(use, use, use, use, blocks_of(len(hold)))


@pytest.mark.parametrize(
    ("rule", "share"), [("hold-first", -0.5), ("hold-last", 0.5), ("trapezoid", 0)]
)
def test_ramp(rule, share):
    """Up to the rate W with even steps T: -W T/2, +W T/2 and 0."""
    ramp = Profile("", np.array([0.0, 1.0]), np.array([0.0, 3.0]))
    error = errors_along(ramp, even(100, 100), rule, AssumedStep())[-1]
    assert error == pytest.approx(share * 3.0 * 0.01, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("rate", [10, 20, 50, 200])
def test_even_steps_of_a_full_turn_telescope(rule, rate):
    """From rest to rest, even steps leave next to nothing at any rate (5 to 100 ms)."""
    motion = turn(180, 180, 720)
    sampling = even(rate, 4 * rate)
    starts = np.linspace(0.5, 0.6, 23)
    error = end_errors(motion, sampling, rule, AssumedStep(), starts)
    # the corners of the profile leave at most A T^2 / 8 each
    assert np.abs(np.degrees(error)).max() <= 4 * 720 / rate**2 / 8 + 1e-9
    # and exactly nothing where the corners fall on the loops: corners at 0.25 s, T divides it
    on_loops = end_errors(motion, even(20, 100), rule, AssumedStep(), np.array([0.5, 0.55]))
    assert np.abs(np.degrees(on_loops)).max() < 1e-9


def test_jitter_does_not_telescope():
    """With jittered steps of the same mean the same turn has an error that spreads."""
    motion = turn(180, 180, 720)
    sampling = jittered(stalls=0.0)
    starts, _ = random_starts(sampling, motion.duration_s, 0)
    spread = np.degrees(np.std(end_errors(motion, sampling, "hold-first", AssumedStep(), starts)))
    # each step k on a ramp errs by A T_k^2 / 2; over two ramps of 0.25 s the sum has the variance
    # of a renewal process with reward T^2: Var(T^2 - c T) / E T for each second
    T = sampling.hold_s
    c = np.sum(T**2) / T.sum()
    wanted = 720 / 2 * np.std(T**2 - c * T) * np.sqrt(0.5 / T.mean())
    assert spread == pytest.approx(wanted, rel=0.15)
    assert spread > 0.02


def test_stall_under_an_assumed_step():
    """At 180 deg/s one step of 100 ms where 10 ms is assumed costs 16.2 deg; measured, nothing."""
    hold = np.full(100, 0.01)
    hold[40] = 0.1
    sampling, motion = _from_steps(hold), Steady("", np.radians(180))
    assumed = errors_along(motion, sampling, "hold-first", AssumedStep("fixed", 0.01))[-1]
    measured = errors_along(motion, sampling, "hold-first", AssumedStep())[-1]
    assert np.degrees(assumed) == pytest.approx(-16.2, rel=1e-9)
    assert abs(np.degrees(measured)) < 1e-9


def test_fixed_step_errs_by_a_share_of_the_angle():
    """A step that is p too long gives p x angle."""
    sampling = jittered(n=4000)
    mean = sampling.duration_s / 4000
    motion = Steady("", 1.0)
    error = errors_along(motion, sampling, "hold-first", AssumedStep("fixed", 1.03 * mean))
    true_steps = sampling.read_s[-1] - sampling.read_s[0]
    p = 4000 * 1.03 * mean / true_steps - 1
    assert error[-1] == pytest.approx(p * 1.0 * true_steps, rel=1e-9)
    assert p == pytest.approx(0.03, abs=0.001)


def test_loop_step_with_a_value_read_later():
    """A loop's own dt with a value read later errs by w x (dt - time between readings)."""
    use = np.array([0.0, 0.01, 0.03, 0.04])
    start = np.array([-0.004, 0.008, 0.021, 0.037])
    sampling = Sampling(use, use, use, start, blocks_of(3))
    error = errors_along(Steady("", 2.0), sampling, "hold-last", AssumedStep("loop"))
    assert error == pytest.approx(
        np.concatenate([[0.0], 2.0 * (np.diff(start) - np.diff(use)).cumsum()])
    )


@pytest.mark.parametrize("share", [0.05, 0.2, 0.45])
def test_sinusoid(share):
    """Trapezoid gain x / tan x; hold-first gain x / sin x and lag x, with x = pi f T."""
    f, T = 2.0, share / 2.0
    x = np.pi * f * T
    motion = Weave("", 1.0, f)
    n = 4000
    sampling = even(1 / T, n)
    turning = np.exp(2j * np.pi * f * sampling.read_s)
    for rule, gain, lag in (
        ("trapezoid", x / np.tan(x), 0.0),
        ("hold-first", x / np.sin(x), x),
        ("hold-last", x / np.sin(x), -x),
    ):
        integrated = errors_along(motion, sampling, rule, AssumedStep()) + motion.heading(
            sampling.read_s
        )
        basis = np.stack([turning.real, turning.imag, np.ones(n + 1)], axis=1)
        c, s, _ = np.linalg.lstsq(basis, integrated, rcond=None)[0]
        assert np.hypot(c, s) == pytest.approx(gain, rel=1e-6)
        assert -np.arctan2(c, s) == pytest.approx(lag, abs=1e-6)


@pytest.mark.parametrize(("rule", "order"), [("hold-first", 1), ("hold-last", 1), ("trapezoid", 2)])
def test_order_of_convergence(rule, order):
    """Halving even steps halves a one-sided rule's error and quarters the trapezoid's."""
    motion = Weave("", 1.0, 0.8)
    seconds = 0.7
    sizes = [
        abs(errors_along(motion, even(n / seconds, n), rule, AssumedStep())[-1])
        for n in (100, 200, 400)
    ]
    slopes = np.log2(np.array(sizes[:-1]) / np.array(sizes[1:]))
    assert slopes == pytest.approx([order, order], abs=0.03)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("step", [AssumedStep(), AssumedStep("loop"), AssumedStep("fixed", 0.011)])
def test_running_sums_match_adding_up(rule, step):
    """The sums that serve every start at once are those of adding up step by step."""
    motion = Profile("", np.array([0.0, 0.3, 0.5, 1.1]), np.array([0.0, 2.0, -1.0, 0.0]))
    sampling = replace(jittered(n=1500), start_s=jittered(n=1500).use_s - 0.003)
    starts, _ = random_starts(sampling, motion.duration_s, 5)
    starts = starts[::25]
    fast = end_errors(motion, sampling, rule, step, starts)
    slow = stepped_errors(motion, sampling, rule, step, starts, motion.duration_s)
    assert fast == pytest.approx(slow, abs=1e-10)


def test_many_manoeuvres_spread_as_a_random_walk():
    """The error after m turns has m times the variance of one: it goes with the square root."""
    motion = turn(60, 240, 1200)
    sampling = jittered(n=40_000, stalls=0.0)
    starts = 0.5 + motion.duration_s * np.arange(800)
    each = end_errors(motion, sampling, "hold-first", AssumedStep(), starts)
    sums = each.reshape(50, 16).sum(axis=1)
    assert np.var(sums) == pytest.approx(16 * np.var(each), rel=0.5)
    assert abs(np.corrcoef(each[:-1], each[1:])[0, 1]) < 0.12


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("step", [AssumedStep(), AssumedStep("fixed", 0.01)])
def test_noise_variance_against_drawn_noise(rule, step):
    """n^2 sum(v^2) is the variance of the integrated heading over drawn noise."""
    sampling = jittered(n=200)
    held = replace(sampling, taken_s=sampling.taken_s[np.arange(201) // 3 * 3])
    rng = np.random.default_rng(8)
    draws = rng.standard_normal((20_000, 67))[:, np.arange(201) // 3] * 0.02
    steps = np.diff(sampling.read_s) if step.kind == "measured" else np.full(200, 0.01)
    turned = draws @ reading_weights(steps, rule)
    assert noise_variance(held, rule, step, 0.02) == pytest.approx(np.var(turned), rel=0.03)


def test_noise_with_a_fixed_step():
    """N readings with one step: N n^2 step^2."""
    assert noise_variance(
        even(50, 400), "hold-first", AssumedStep("fixed", 0.02), 0.1
    ) == pytest.approx(400 * 0.1**2 * 0.02**2)


def test_cut_increments_lose_slow_turns():
    """Whole-degree increments polled every 15 ms lose every turn below 67 deg/s."""
    sampling = even(1 / 0.015, 400)
    degree = np.radians(1.0)
    for rate, kept in ((66.0, 0.0), (67.0, 1.0)):
        motion = Steady("", np.radians(rate))
        error = errors_along(motion, sampling, "hold-first", AssumedStep(), degree)[-1]
        turned = error + motion.heading(sampling.read_s[-1])
        assert np.degrees(turned) == pytest.approx(400 * kept, abs=1e-6)


def test_starts_cover_every_moment_alike():
    """Starts lie in every loop, weighed by its length, and are the same for the same seed."""
    sampling = jittered(n=1000)
    starts, weight = random_starts(sampling, 1.0, 7)
    again, _ = random_starts(sampling, 1.0, 7)
    assert np.array_equal(starts, again)
    assert weight.sum() == pytest.approx(sampling.duration_s - 1.0, rel=0.01)
    assert np.average(starts, weights=weight) == pytest.approx(
        (sampling.duration_s - 1.0) / 2, rel=0.01
    )


def test_log_shorter_than_the_motion():
    """A motion that does not fit into the log is an error that says both lengths."""
    with pytest.raises(NotEnoughError, match=r"0\.1 s of loops.*lasts 5 s"):
        random_starts(even(100, 10), 5.0, 0)


@pytest.mark.parametrize("text", ["fixed:0", "fixed:x", "often", "measured:3"])
def test_bad_step_is_refused(text):
    """Only measured, loop, fixed and fixed:MS are steps."""
    with pytest.raises(UsageError, match="fixed:MS"):
        parse_step(text)


def test_bad_rule_is_refused():
    """An unknown rule is an error of use."""
    with pytest.raises(UsageError, match="hold-first"):
        reading_weights(np.ones(3), "simpson")
