"""What is worse in another run of a log than in the one that is told of."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.findings import summarise
from looptime.parsers.read import Log
from looptime.views.text.summary_text import render_summary
from tests.build_run import make_flat_run
from tests.views.text.build import text_of


def boot(loops, mast_ms, seed, spread=0.02, **meta):
    """A run of `loops` loops: 8 ms of belt, and the mast as long as is said."""
    rng = np.random.default_rng(seed)
    belt, mast = (ms * np.exp(rng.normal(0, spread, loops)) for ms in (8.0, mast_ms))
    made = {"belt": (1e6 * belt).astype(np.int64), "mast": (1e6 * mast).astype(np.int64)}
    return replace(make_flat_run(sum(made.values()) + 100_000, made), meta=meta)


def first_lines(*runs):
    """The answer and the reasons of a log of these runs, on one line."""
    told = render_summary(Log("log.csv", runs), [summarise(run) for run in runs])
    return " ".join(text_of(told).split()[:90])


def test_a_slower_run_is_told_with_the_call_behind_it():
    """In the second and third of three runs the mast takes 7 ms instead of 1.9: 5.1 of 10 more."""
    said = first_lines(boot(500, 1.9, 1), boot(300, 6.8, 2), boot(200, 7.0, 3))
    assert "run 3 (and 1 more): a loop takes 15.1 ms as a rule, 51 % more than in run 1" in said
    assert "most of it in mast (+5.1" in said


def test_where_no_call_is_behind_most_of_it_none_is_named():
    """Both calls are longer by a quarter, so neither leads by far."""
    run, slow = boot(500, 8.0, 1), boot(300, 8.0, 2)
    calls = slow.call_columns
    longer = {
        n: calls.duration_ns[calls.name == k] * 5 // 4 for k, n in enumerate(("belt", "mast"))
    }
    slow = make_flat_run(slow.loop_columns.period_ns * 5 // 4, longer)
    said = first_lines(run, slow)
    assert "run 2: a loop takes 20.1 ms as a rule, 25 % more than in run 1. " in said


@pytest.mark.parametrize(
    "runs",
    [
        (boot(500, 1.9, 1), boot(300, 2.1, 2)),
        (boot(500, 7.0, 1), boot(300, 1.9, 2)),
        (boot(500, 1.9, 1), boot(20, 7.0, 2)),
        (boot(500, 1.9, 1, group="robot 1"), boot(300, 7.0, 2, group="robot 2")),
    ],
    ids=["alike", "faster", "too short", "of another sender"],
)
def test_what_is_not_slower_is_not_told(runs):
    """Loops as long, shorter ones, twenty of them, or those of another robot."""
    assert "more than in run" not in first_lines(*runs)


def test_where_the_run_told_of_is_the_slow_one_a_faster_one_is_told():
    """In the last and longest run the mast takes 7 ms instead of 1.9: 5.1 of 10 more."""
    said = first_lines(boot(200, 1.9, 1), boot(200, 1.9, 2), boot(500, 7.0, 3))
    assert "(run 3, the longest of 3 runs in this log" in said
    assert "run 1 (and 1 more): a loop takes 9.99 ms as a rule; in run 3 51 % more" in said
    assert "most of it in mast (+5.1" in said


def test_a_run_whose_clock_is_too_coarse_is_no_faster_one():
    """Stamps in whole seconds: most loops of one run have no length, and nothing is told of it."""
    coarse = make_flat_run(np.where(np.arange(200) % 50 == 49, 10**9, 0))
    run = make_flat_run(np.full(400, 15_000_000))
    assert "run 2: a loop takes" not in first_lines(run, coarse)


def test_a_phase_that_misses_ticks_is_told_before_one_that_is_fine():
    """One tick of ten is missed in the shorter phase: the log as a whole is not fine."""
    rng = np.random.default_rng(1)
    ticks = np.append(np.ones(900, int), 1 + (rng.random(400) < 0.1))
    late = np.abs(rng.normal(0, 1e5, 1301)).astype(np.int64)
    whole = make_flat_run(20_000_000 * ticks + np.diff(late))
    phase = (np.arange(1300) >= 900).astype(np.int32)
    loops = replace(whole.loop_columns, phase=phase, phase_names=("driven", "alone"))
    whole = replace(whole, loop_columns=loops)
    told = render_summary(
        Log("log.csv", (whole,)), [summarise(whole, phase=name) for name in ("driven", "alone")]
    )
    said = " ".join(text_of(told).split()[:110])
    missed = int((ticks - 1).sum())
    assert f"phase alone: A loop that is late loses its slot: {missed} loops" in said
    assert "Nothing stands out" not in said
