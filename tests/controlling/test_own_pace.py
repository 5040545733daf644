"""Controllers that run in some loops only, told by their outputs; and outputs that rest."""

from dataclasses import replace

import numpy as np
import pytest

import looptime
from looptime.controllers import Controller
from looptime.controlling.fit import signal_key
from looptime.controlling.own_pace import in_its_loops, own_pace
from looptime.errors import UsageError
from looptime.heading.kept_work import Work
from looptime.heading.pattern import Sampling, blocks_of
from looptime.run import LoopColumns, Run, Signals
from looptime.views.text.control_answer import reasons

PERIOD = 10_000_000
RNG = np.random.default_rng(4)


def run_of(**values):
    n = len(next(iter(values.values())))
    start = np.arange(n) * PERIOD
    held = {name: np.asarray(x, float) for name, x in values.items()}
    signals = Signals(start, np.arange(n), held)
    return Run(LoopColumns(np.arange(n), start, np.full(n, PERIOD)), signals=signals)


def held_for(every, turns=200, shift=0):
    """An output of many levels that rests in a tenth of its turns."""
    level = np.round(RNG.standard_normal(turns), 3)
    rests = RNG.random(turns) < 0.1
    level = level[np.maximum.accumulate(np.where(rests, 0, np.arange(turns)))]
    return np.concatenate([np.zeros(shift), np.repeat(level, every)])


@pytest.mark.parametrize(("every", "shift"), [(2, 0), (3, 2), (5, 1), (10, 7)])
def test_an_output_that_changes_in_every_so_many_rows(every, shift):
    """100 rows a second: it runs 100/k times, and which row it takes is known."""
    found = own_pace(run_of(u=held_for(every, shift=shift)), "u")
    assert (found.every, found.first) == (every, shift % every)
    assert found.hz == pytest.approx(100 / every)


@pytest.mark.parametrize("output", [
    np.round(RNG.standard_normal(400), 3),  # in every row
    np.repeat(RNG.standard_normal(80), RNG.integers(1, 9, 80)),  # whenever it has to
    np.repeat(np.arange(10.0), 40),  # a few long steps
    np.round(np.sin(np.arange(900) / 60), 1),  # coarse: rests about its turning points
    np.full(300, 0.4),
    np.repeat(RNG.standard_normal(60), 24),  # steps of a test
    np.repeat(RNG.choice([-0.4, 0.0, 0.4], 200), 4),
])  # fmt: skip
def test_outputs_that_run_in_each_loop_or_rest(output):
    """None has a turn of its own."""
    assert own_pace(run_of(u=output), "u") is None


def test_its_turns_alone_count():
    """Every 4th of even loops of 10 ms, used 3 ms after its start: held for 40 ms."""
    run = run_of(u=held_for(4))
    use = np.arange(len(run)) * 0.01 + 0.003
    every = Sampling(use - 0.003, use - 0.003, use, use - 0.003, blocks_of(len(run) - 1))
    found = in_its_loops(every, run, own_pace(run, "u"))
    assert found.hold_s == pytest.approx(np.full(len(run) // 4 - 1, 0.04))
    assert found.latency_s == pytest.approx(np.full(len(found), 0.003))
    assert in_its_loops(every, run, None) is every


def test_the_work_of_its_turns_is_that_of_all_their_loops():
    """Every 4th of loops of 10 ms that work for 4: at most 250 loops, and 62.5 turns, a second.

    In turns of 20 ms, loops of 5, the 3 ms of work up to its use stay, and of 2 ms that are waited
    there is a sixth left, as of the 6 ms that each loop waits.
    """
    run = run_of(u=held_for(4))
    use = np.arange(len(run)) * 0.01 + 0.003
    every = Sampling(use - 0.003, use - 0.003, use, use - 0.003, blocks_of(len(run) - 1))
    found = in_its_loops(replace(every, work=Work("waits", 0.004, True, 1.0, 0.6)), run,
                         own_pace(run, "u")).work  # fmt: skip
    assert found.fastest_hz == pytest.approx(62.5)
    assert 3 * found.factor(0.04, 0.02, found.read_share) == pytest.approx(3.0)
    assert 5 * found.factor(0.04, 0.02, found.start_share) == pytest.approx(3 + 2 / 6)
    assert in_its_loops(every, run, own_pace(run, "u")).work == Work()


def test_it_is_said_and_its_age_is_that_of_its_turns():
    """X' = 300 u, held for 40 ms in a loop of 10: 20 ms old on average, not 5."""
    u = np.clip(held_for(4, 400), -1, 1)
    x = np.concatenate([[0.0], np.cumsum(300 * u[:-1] * 0.01)])
    found = looptime.control(run_of(u=u, x=x), controllers=[Controller("c")], fit=("u", "x"))
    said = " ".join(reasons(found))
    assert "u changes in every 4th row alone: its controller runs 25.0 times a second in a" in said
    assert found.controllers[0].age_ms.value == pytest.approx(20.0)


def test_a_name_without_its_unit_is_taken_where_one_signal_has_it():
    """Brackets or an ending; two that differ in it alone are named."""
    run = run_of(
        **{"angle [deg]": [1.0], "lift_mm": [2.0], "rate (deg/s)": [3.0], "Rate_rad_s": [0]}
    )
    assert [signal_key(run, name) for name in ("angle", "lift")] == ["angle [deg]", "lift_mm"]
    with pytest.raises(UsageError, match="name one of them in full"):
        signal_key(run, "rate")
    with pytest.raises(UsageError, match="has no signal 'mast'"):
        signal_key(run, "mast")
