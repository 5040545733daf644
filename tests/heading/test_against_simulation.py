"""The models against a plain simulation in steps of 10 us, on 50 random logs and motions."""

import numpy as np
import pytest

from looptime.heading.integrated import RULES, AssumedStep, end_errors, errors_along
from looptime.heading.lag_table import make_table
from looptime.heading.lead import NO_LEAD, Lead
from looptime.heading.path import dead_reckoned
from looptime.heading.pattern import Sampling, blocks_of
from looptime.heading.spelling import parse_motion
from looptime.heading.stale import stale_everywhere
from tests.heading import simulation as sim

CASES = [(seed, ("steady", "weave", "turn")[seed % 3]) for seed in range(50)]


def _sampling(taken, use) -> Sampling:
    taken, use = taken * sim.TICK, use * sim.TICK
    return Sampling(taken, taken, use, taken, blocks_of(len(use) - 1))


def _table(motion, sampling, lead=NO_LEAD):
    greatest = float((sampling.latency_s + sampling.hold_s).max())
    return make_table(motion, lead, greatest, cells=800, phases=256)


def _pooled_error(kind, numbers, taken, use, starts):
    """Error at every tick of every motion, the log going on after its end as it began."""
    ticks = round(sim.turn_seconds(numbers) / sim.TICK) if kind == "turn" else use[-1]
    middle = (np.arange(ticks) + 0.5) * sim.TICK
    heading = sim.headings(sim.turn_rate_deg_s(kind, numbers, middle))
    heading = (heading[1:] + heading[:-1]) / 2  # at the middle of each tick
    hold = np.repeat(np.arange(len(use) - 1), np.diff(use))
    age = np.arange(use[-1]) - taken[hold]
    errors = []
    for start in starts:
        at = (start + np.arange(ticks)) % use[-1]
        back = np.arange(ticks) - age[at]
        errors.append(heading - np.where(back < 0, 0.0, heading[np.maximum(back, 0)]))
    return np.concatenate(errors)


def _endless_error(kind, numbers, taken, use, phase):
    """Error at every tick of the log, the motion under way from the start."""
    lead_in = int(use[0] - taken[0]) + 1
    middle = (np.arange(use[-1] + lead_in) - lead_in + 0.5) * sim.TICK + phase
    heading = sim.headings(sim.turn_rate_deg_s(kind, numbers, middle))
    hold = np.repeat(np.arange(len(use) - 1), np.diff(use))
    now = (heading[1:] + heading[:-1])[lead_in:] / 2
    return now - heading[taken[hold] + lead_in]


@pytest.mark.parametrize(("seed", "kind"), CASES)
def test_figures_agree_within_a_percent(seed, kind):
    """Stale heading, way sideways, integrated heading and path come out as simulated."""
    rng = np.random.default_rng(1000 + seed)
    text, numbers = sim.random_rates(rng, kind)
    taken, use = sim.random_log(rng, 3.0)
    sampling = _sampling(taken, use)
    motion = parse_motion(text)
    found = stale_everywhere(motion, sampling, _table(motion, sampling))
    if kind == "turn":
        starts = (np.arange(240) * use[-1] * 0.6180339887 % use[-1]).astype(np.int64)
        error = _pooled_error(kind, numbers, taken, use, starts)
    else:
        count = 1 if kind == "steady" else 8
        phases = np.arange(count) / count / numbers.get("frequency", 1.0)
        error = np.concatenate([_endless_error(kind, numbers, taken, use, p) for p in phases])
    wanted = sim.stale_figures(error)
    assert found.mean.value == pytest.approx(wanted["mean"], rel=0.01)
    assert found.rms.value == pytest.approx(wanted["rms"], rel=0.01)
    assert found.p95.value == pytest.approx(wanted["p95"], rel=0.01)
    assert found.max >= wanted["max"] * (1 - 1e-3)
    assert found.sideways.value == pytest.approx(wanted["sideways"], rel=0.01)
    if kind != "weave":
        assert found.lateral.value == pytest.approx(wanted["lateral"], rel=0.01)


@pytest.mark.parametrize(("seed", "kind"), CASES[:24])
def test_integrated_heading_and_path_agree(seed, kind):
    """Adding up readings on the simulated clock gives the same heading and position errors."""
    rng = np.random.default_rng(2000 + seed)
    text, numbers = sim.random_rates(rng, kind)
    taken = np.unique(sim.random_log(rng, 4.0)[0])
    sampling = _sampling(taken - taken[0], taken - taken[0])
    motion = parse_motion(text)
    begin = int(taken[len(taken) // 4]) - 7
    ticks = int(taken[-1]) - begin
    middle = (np.arange(ticks) + 0.5) * sim.TICK
    if kind == "turn":
        ticks = int(np.ceil(sim.turn_seconds(numbers) / sim.TICK))
        middle = middle[:ticks]
    heading = sim.headings(sim.turn_rate_deg_s(kind, numbers, middle))
    read = taken[(taken >= begin) & (taken <= begin + ticks)] - begin
    rate = np.radians(sim.turn_rate_deg_s(kind, numbers, read * sim.TICK))
    step = np.diff(read) * sim.TICK
    values = {
        "hold-first": rate[:-1],
        "hold-last": rate[1:],
        "trapezoid": (rate[1:] + rate[:-1]) / 2,
    }
    start_s = (begin - taken[0]) * sim.TICK
    for rule in RULES:
        if kind == "turn":
            # the steps that only begin or only end inside the turn count too
            before = (read[0] - taken[taken < begin][-1] + begin) * sim.TICK
            after = (taken[taken > begin + ticks][0] - begin - read[-1]) * sim.TICK
            turned = np.sum(step * values[rule])
            turned += {"hold-first": after * rate[-1], "hold-last": before * rate[0],
                       "trapezoid": (after * rate[-1] + before * rate[0]) / 2}[rule]  # fmt: skip
            wanted = turned - heading[-1]
            found = end_errors(motion, sampling, rule, AssumedStep(), np.array([start_s]))[0]
        else:
            wanted = np.sum(step * values[rule]) - (heading[read[-1]] - heading[read[0]])
            shifted = _sampling(read, read)
            found = errors_along(motion, shifted, rule, AssumedStep())[-1]
        assert found == pytest.approx(wanted, rel=0.01, abs=2e-5)
    _check_path(motion, sampling, heading, read, start_s, ticks)


def _check_path(motion, sampling, heading, read, start_s, ticks):
    span = min(ticks, 40_000)
    direction = np.exp(1j * (heading[1 : span + 1] + heading[:span]) / 2)
    cut = np.append(read[read < span], span)
    before = (
        0.0
        if motion.duration_s is not None
        else float(motion.heading(-start_offset(read, sampling, start_s)))
    )
    theta = np.concatenate([[before], heading[cut[:-1]]])
    computed = np.sum(np.diff(np.concatenate([[0], cut])) * np.exp(1j * theta)) * sim.TICK
    wanted = computed - direction.sum() * sim.TICK
    found = dead_reckoned(motion, sampling, np.array([start_s]), span * sim.TICK, "start")[0]
    assert abs(found - wanted) <= 0.01 * abs(wanted) + 2e-5


def start_offset(read, sampling, start_s):
    """Time from the reading before the start to the start [s]."""
    at = np.searchsorted(sampling.read_s, start_s, side="right") - 1
    return start_s - sampling.read_s[at]


@pytest.mark.parametrize("lead", [Lead("fixed", 0.012), Lead("measured")])
@pytest.mark.parametrize("kind", ["weave", "turn"])
def test_extrapolating_code_agrees(kind, lead):
    """What is left after extrapolation is as simulated, for a fixed and a measured lead."""
    rng = np.random.default_rng(77)
    text, numbers = sim.random_rates(rng, kind)
    taken, use = sim.random_log(rng, 3.0)
    sampling = _sampling(taken, use)
    motion = parse_motion(text)
    ahead = lead.per_hold(sampling)
    leads = np.geomspace(ahead.min(), ahead.max(), 24) if lead.kind == "measured" else None
    greatest = float((sampling.latency_s + sampling.hold_s).max())
    table = make_table(motion, lead, greatest, cells=400, phases=192, leads=leads)
    found = stale_everywhere(motion, sampling, table)
    hold = np.repeat(np.arange(len(use) - 1), np.diff(use))
    age = (np.arange(use[-1]) + 0.5 - taken[hold]) * sim.TICK
    seconds = motion.duration_s or 1 / numbers["frequency"]
    x = (np.arange(200) + 0.5)[:, None] / 200 * seconds
    every = slice(None, None, 20)
    back = x - age[every]
    rate = np.radians(sim.turn_rate_deg_s(kind, numbers, back.ravel()).reshape(back.shape))
    error = motion.heading(x) - motion.heading(back) - ahead[hold[every]] * rate
    size = np.abs(error)
    assert found.mean.value == pytest.approx(size.mean(), rel=0.01)
    assert found.rms.value == pytest.approx(np.sqrt((size**2).mean()), rel=0.01)
    assert found.p95.value == pytest.approx(np.quantile(size, 0.95), rel=0.01)
