"""Slow loops: planted ones are found, as events, with what stretched."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.slow import _causes, slow_events, slow_loops
from tests.build_run import make_flat_run, make_run


def parts(n: int = 500, seed: int = 1):
    """Four calls of about 2 ms."""
    rng = np.random.default_rng(seed)
    return {f"part{k}": 2e6 * np.exp(rng.normal(0, 0.03, n)) for k in range(4)}


def run_of(made, rest=1e6):
    made = {k: v.astype(np.int64) for k, v in made.items()}
    return make_flat_run(sum(made.values()) + int(rest), made)


def test_one_culprit():
    """Loops in which one call takes longer name it, with the time that it added."""
    made = parts()
    made["part2"][[100, 300]] += 9e6
    found = slow_events(prepare(run_of(made)))
    assert {e.first for e in found.events[:2]} == {100, 300}
    for event in found.events[:2]:
        assert event.cause == "one call"
        assert event.culprit == "part2"
        assert event.parts[0].ms == pytest.approx(9, abs=0.3)
    assert found.by_culprit["part2"] == 2


def test_everything_at_once():
    """When all calls take twice as long, none of them is the culprit."""
    made = parts()
    for values in made.values():
        values[200] *= 2
    found = slow_events(prepare(run_of(made)))
    assert found.events[0].cause == "everything at once"


def test_outside_all_calls():
    """A stall between calls is put down to no call."""
    made = {k: v.astype(np.int64) for k, v in parts().items()}
    period = sum(made.values()) + 1_000_000
    period[250] += 12_000_000
    event = slow_events(prepare(make_flat_run(period, made))).events[0]
    assert (event.cause, event.culprit) == ("outside all calls", "unattributed")


def test_close_loops_are_one_event():
    """Slow loops at most two apart are one spell; its excess is their sum."""
    period = np.full(600, 10_000_000)
    period[[100, 101, 103]] = 30_000_000
    period[400] = 25_000_000
    found = slow_events(prepare(make_flat_run(period)))
    assert [(e.first, e.last, e.loops) for e in found.events] == [(100, 103, 3), (400, 400, 1)]
    assert [e.excess_ms for e in found.events] == [60, 15]
    assert found.count == 4


def test_catching_up_belongs_to_the_event():
    """The short loops after a late one are counted with it and are no events of their own."""
    period = np.full(600, 20_000_000)
    for k in (100, 300, 500):
        period[k], period[k + 1 : k + 6] = 60_000_000, 12_000_000
    found = slow_events(prepare(make_flat_run(period)))
    assert [(e.loops, e.caught_up) for e in found.events] == [(1, 5)] * 3


def test_excess_parts_add_up():
    """What the names added is what the event has above a typical loop."""
    made = parts(60)
    made["part1"][30] += 8e6
    found = slow_events(prepare(run_of(made)))
    event = found.events[0]
    assert sum(p.ms for p in event.parts) == pytest.approx(event.excess_ms, abs=1e-9)


def test_drift_makes_no_loop_slow():
    """The threshold follows the level of the run."""
    rng = np.random.default_rng(2)
    x = np.linspace(10e6, 16e6, 4000) * np.exp(rng.normal(0, 0.02, 4000))
    slow, _, _ = slow_loops(prepare(make_flat_run(x.astype(np.int64))))
    assert slow.mean() < 0.002


def test_budget_adds_rare_overruns_only():
    """Loops over the budget are slow too, unless the budget is below ordinary loops."""
    period = [10.0, 10.4] * 100
    period[50] = 10.9
    basis = prepare(make_run(period))
    assert slow_loops(basis)[0].sum() == 0
    assert slow_loops(basis, 10.5)[0].tolist().index(True) == 50
    assert slow_loops(basis, 5.0)[0].sum() == 0


@pytest.mark.parametrize("period", [[10] * 50, [0] * 50, [10], []])
def test_degenerate(period):
    """Constant, empty and zero runs have no slow loop and raise no warning."""
    found = slow_events(prepare(make_run(period)))
    assert found.count == 0
    assert found.events == ()


def test_lines_of_the_log():
    """An event says on which line its slowest loop begins, where that is known."""
    from dataclasses import replace

    period = np.full(100, 10_000_000)
    period[40] = 50_000_000
    run = make_flat_run(period)
    columns = replace(run.loop_columns, line=np.arange(100) * 7 + 2)
    event = slow_events(prepare(replace(run, loop_columns=columns))).events[0]
    assert event.line == 40 * 7 + 2


def test_an_event_of_hours_in_what_usually_takes_no_time():
    """Nothing is divided by what usually takes no time: no warning, and the call alone is it."""
    none, hours = np.zeros(1), np.array([1e12])
    with np.errstate(all="raise"):
        found = _causes(np.array([0]), np.array([False]), hours, none, np.array([0, 1]), hours)
    assert found == [0]
