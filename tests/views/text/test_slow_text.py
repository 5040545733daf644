"""Slow loops, one of them beside a typical one, and delays, as text."""

import re

import numpy as np
import pytest

from looptime.analysers.loop_detail import loop_detail
from looptime.analysers.waits import delay
from looptime.findings import summarise
from looptime.views.text.slow_text import delay_sentence, render_delay, render_loop, render_slow
from tests.build_run import make_flat_run, make_run
from tests.views.text.build import scenario, text_of


def test_slow_loops_and_one_loop():
    """The slowest loops with what stretched; one of them beside a typical one."""
    _, found = scenario("stalls of a read, 10 ms")
    event = found.slow.events[0]
    shown = text_of(render_slow(found, 5))
    assert str(event.first) in shown
    assert "mast.read" in shown
    one = text_of(render_loop(loop_detail(found.basis, event.first)))
    assert f"Loop {event.first}" in one
    assert "mast.read" in one


def test_delay_and_gains():
    """When a delay fires, in ms and loops."""
    run = make_run([4, 8] * 200)
    shown = text_of(render_delay(delay(run, 10), summarise(run)))
    assert "A delay of 10.0 ms" in shown
    told = delay_sentence(delay(run, 10))  # 4 and 8 ms in turn: two loops are 12 ms in any case
    assert told.endswith("fires after 12.0 ms on average, 12.0 at most.")
    assert "12.0" in shown
    assert "times the integral gain and" in shown


def test_as_many_slow_loops_are_shown_as_are_asked_for():
    """The first screen has twelve of 30 unless another number is stated."""
    run = make_run(([10.0] * 19 + [30.0]) * 30)
    shown = {top: text_of(render_slow(summarise(run), top)) for top in (None, 5, 25)}
    assert "Slowest 12\n" in shown[None]
    rest = text_of(render_slow(summarise(run)).parts(full=True))
    assert "Slowest 13 to 20\n" in rest
    listed = re.findall(r"^ +(\d*9)  \d+\.\d{3}", rest, re.MULTILINE)
    assert len(listed) == len(set(listed)) == 20
    assert "Slowest 5\n" in shown[5]
    assert "Slowest 25\n" in shown[25]


def test_the_rule_by_which_a_call_comes_back_is_not_cut():
    """Every tenth loop of a paced one, by count or by clock: both are said, and the doubt."""
    calls = [("work", 0, 9.0), ("wait", 9, 11.0)]
    checked = [("work", 0, 9.0), ("check", 9, 3.0), ("wait", 12, 8.0)]
    run = make_run([20.0] * 600, lambda k: checked if k % 10 == 3 else calls, {"wait": "pacing"})
    told = " ".join(text_of(render_slow(summarise(run))).split())
    assert "check every 10 loops or 200 ms 3.00 60 or, about: more than one rule fits" in told


def lines_of(period_ms, made):
    """The first lines about a run of calls of such lengths [ms], as one."""
    ns = {name: np.rint(took * 1e6).astype(np.int64) for name, took in made.items()}
    told = text_of(render_slow(summarise(make_flat_run(np.rint(period_ms * 1e6).astype(int), ns))))
    return " ".join(" ".join(told.split("\n\n")[0].split()).split("Slowest")[0].split())


def test_the_longest_loop_by_far_is_told_first_with_its_instant_and_its_call():
    """A gate of 640 ms at 12.5 s counts more than eight belts of 14 ms instead of 6."""
    draw = np.random.default_rng(5)
    belt, gate = draw.normal(6, 0.05, 3000), draw.normal(4, 0.05, 3000)
    belt[200::350] += 8
    gate[1247] += 640
    told = lines_of(belt + gate, {"belt": belt, "gate": gate})
    assert "belt stretched most in 8 of 9 events, gate in 1, by more time in all" in told
    assert "One loop took 650 ms, 65 usual ones, 644 ms of it in gate, at 12.5" in told


@pytest.mark.parametrize(("lift_ms", "word"), [(8.2, "slower"), (5.0, "faster")])
def test_where_the_level_changes_no_length_is_the_limit(lift_ms, word):
    """A third of the loops, at one end, are longer than the others: none stands out for it."""
    draw = np.random.default_rng(6)
    often = [1000, 2000] if lift_ms < 6.6 else [2000, 1000]
    lift = np.repeat([6.6, lift_ms], often) + draw.normal(0, 0.05, 3000)
    told = lines_of(lift + 3, {"lift": lift})
    assert "No loop stands out more than" in told
    assert "above those around" in told
    assert f"on the loop is {word}: {lift_ms + 3:.3g} ms instead of 9.6 ms, mostly lift" in told


def test_where_the_level_holds_the_limit_is_a_length():
    """Even loops of 9 ms: a tenth above them is slow."""
    lift = 6 + np.random.default_rng(6).normal(0, 0.05, 3000)
    assert "No loop stands out above 9.90 ms of period." in lines_of(lift + 3, {"lift": lift})
