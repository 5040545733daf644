"""Slow loops, one of them beside a typical one, and delays, as text."""

from looptime.analysers.loop_detail import loop_detail
from looptime.analysers.waits import delay
from looptime.findings import summarise
from looptime.views.text.slow_text import render_delay, render_loop, render_slow
from tests.build_run import make_run
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
    assert "12.0" in shown
    assert "times the integral gain and" in shown


def test_as_many_slow_loops_are_shown_as_are_asked_for():
    """The first screen has twelve of 30 unless another number is stated."""
    run = make_run(([10.0] * 19 + [30.0]) * 30)
    shown = {top: text_of(render_slow(summarise(run), top)) for top in (None, 5, 25)}
    assert "Slowest 12\n" in shown[None]
    assert "Slowest 5\n" in shown[5]
    assert "Slowest 25\n" in shown[25]


def test_the_rule_by_which_a_call_comes_back_is_not_cut():
    """Every tenth loop of a paced one, by count or by clock: both are said, and the doubt."""
    calls = [("work", 0, 9.0), ("wait", 9, 11.0)]
    checked = [("work", 0, 9.0), ("check", 9, 3.0), ("wait", 12, 8.0)]
    run = make_run([20.0] * 600, lambda k: checked if k % 10 == 3 else calls, {"wait": "pacing"})
    told = " ".join(text_of(render_slow(summarise(run))).split())
    assert "check every 10 loops or 200 ms 3.00 60 or: more than one rule fits" in told
