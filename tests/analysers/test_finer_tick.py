"""The tick of a loop that skips what it misses, where most loops miss the same number of them."""

import numpy as np
import pytest

import looptime
from looptime.analysers.finer_tick import finer_tick
from looptime.analysers.pacing import pacing
from looptime.planner import predict
from tests.build_run import make_run

KINDS = {"mast.read": "sensor read", "upload": "other", "wait": "pacing"}


def loops(work, tick):
    """Starts and ends of work and wait of loops that begin at the first tick after their work."""
    at, made = 0.0, []
    for took in work:
        ticks = max(np.ceil(took / tick - 1e-9), 1.0)
        made.append((at, took, ticks * tick - took))
        at += ticks * tick
    return made


def recorded(work, tick):
    """A run of such loops, with half of the work in `upload`."""
    made = loops(work, tick)
    return make_run(
        [took + wait for _, took, wait in made],
        lambda k: [("mast.read", 0, made[k][1] / 2), ("upload", made[k][1] / 2, made[k][1] / 2),
                   ("wait", made[k][1], made[k][2])],
        KINDS,
    )  # fmt: skip


def uneven(mean, n=400, seed=3):
    """Work that scatters by 2 %."""
    return np.random.default_rng(seed).normal(mean, 0.02 * mean, n)


@pytest.mark.parametrize(("work", "tick", "finer"), [(22, 20, 20), (13, 20, None), (30, 25, 25),
                                                     (8, 20, None), (13, 10, 10)])  # fmt: skip
def test_even_loops_fit_a_finer_tick_only_where_no_wait_is_longer_than_it(work, tick, finer):
    """Loops of 22 ms at ticks of 20 take 40, as at ticks of 40; 8 ms of 20 rule ticks of 10 out."""
    run = recorded(uneven(work), tick)
    found = pacing(run)
    usual = np.ceil(work / tick) * tick
    assert found.nominal_ms == pytest.approx(usual)
    if finer is None and work == 13:
        finer = 10  # two ticks of 10
    assert found.finer_ms == (None if finer is None else pytest.approx(finer))


def test_loops_of_an_odd_number_of_ticks_show_the_single_one():
    """Of 400 loops of two ticks five take one or three: the grid is their common divisor."""
    work = uneven(22)
    work[[50, 120, 200]], work[[260, 330]] = 15.0, 45.0
    found = pacing(recorded(work, 20))
    assert (found.nominal_ms, found.mode) == (20, "fixed rate, skips")
    assert found.finer_ms is None


def test_a_start_that_is_late_alone_shows_no_tick():
    """55 and 25 ms together are two usual periods: one start came 15 ms late."""
    period, wait = np.full(400, 40.0), np.full(400, 18.0)
    for k in (30, 90, 150, 270):
        period[[k, k + 1]] = 55.0, 25.0
    assert finer_tick(period, wait, 40.0).known == "possible"


def test_late_loops_that_wait_for_longer_than_a_tick_rule_it_out():
    """Loops of 45 ms take 80 and not 60: nothing ticks every 20 ms."""
    work = uneven(22)
    work[[50, 120, 200, 260, 330]] = 45.0
    assert pacing(recorded(work, 40)).finer_ms is None
    assert pacing(recorded(work, 40)).nominal_ms == 40


HEADS = ["# target 50 Hz; a missed tick is skipped", "# loop_period_ms: 20", "// 50 Hz loop",
         "# Control loop rate: 50 Hz"]  # fmt: skip


@pytest.mark.parametrize("head", [*HEADS, "# target 25 Hz", "# robot: carrier", "# target 70 Hz"])
def test_a_plan_keeps_the_rate_that_the_head_states_or_says_that_two_fit(tmp_path, head):
    """22 ms of work in 40: with 16 ms loops come every 20 ms if that is the tick, else every 40."""
    rows = []
    for at, took, wait in loops(uneven(22), 20):
        ends = 1000 * np.cumsum([100 + at, took / 2, took / 2, wait])
        rows += [f"{n},{a:.1f},{b:.1f}" for n, a, b in zip(KINDS, ends, ends[1:], strict=False)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([head, "name,start_us,end_us", *rows]) + "\n")
    run = looptime.read(str(path))
    made = predict(run, ["scale upload by=0.45"])
    mean = made.predicted.period_ms["mean"]
    open_ = [text for text in made.warnings if "the log fits both" in text]
    if head in HEADS:
        assert pacing(run).nominal_ms == 20
        assert (mean.value, bool(open_)) == (pytest.approx(20, abs=0.1), False)
    elif "25" in head:
        assert (mean.value, bool(open_)) == (pytest.approx(40, abs=0.1), False)
    else:
        assert mean.low == pytest.approx(20, abs=0.7)
        assert mean.high >= 39.9
        assert "tick of 40 ms, or miss every second one of 20 ms" in open_[0]


@pytest.mark.parametrize(("late_ms", "known"), [(60.0, "shown"), (62.5, None), (57.8, None)])
@pytest.mark.parametrize("grain", [0.0, 0.25])
def test_stalls_of_one_length_show_no_tick_that_they_miss(late_ms, known, grain):
    """Loops of 40 ms, each start up to 0.2 ms late, and 15 of 60 ms, or some that are near to that.

    As near to ticks of 20 ms as a tenth, but not as near as starts are to the others.
    """
    rng = np.random.default_rng(2)
    start = np.append(0, np.cumsum(np.where(np.arange(400) % 27 == 20, late_ms, 40.0)))
    start += rng.uniform(0, 0.2, 401)
    period = np.diff(np.floor(start / grain) * grain if grain else start)
    found = finer_tick(period, None, 40.0)
    assert (found and found.known) == known
