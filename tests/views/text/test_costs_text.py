"""What each bus costs the loop, as text."""

import pytest

from looptime.findings import summarise
from looptime.parsers.read import Log
from tests.build_run import make_run
from tests.views.text.build import full_text


def test_each_bus_has_its_share_of_the_loop_and_the_time_it_is_busy():
    """2 ms of the loop's 10 ms, and 3 ms more on another thread: 20 % of the loop, 50 % busy."""
    bus = {"kind": "sensor read", "bus": "port"}
    calls = [("gyro.read", 1, 2), ("range.read", 5, 3, "range")]
    run = make_run([10.0] * 200, calls, {"gyro.read": bus, "range.read": bus})
    lines = full_text(Log("a.csv", (run,)), [summarise(run)]).splitlines()
    (row,) = [line.split() for line in lines if line.split()[:1] == ["port"]]
    assert row == ["port", "1.00", "2.00", "20", "%", "1.00", "3.00", "50", "%"]


@pytest.mark.parametrize(("name", "guessed"), [("gyro.read", True), ("Lenkung", False)])
def test_a_mark_is_explained_only_where_it_stands(name, guessed):
    """A kind that no word of the name tells has no question mark, and no line about one."""
    kind = "sensor read" if guessed else "other"
    made = {"kind": kind, "kind_from": "guessed"}
    run = make_run([10.0] * 50, [(name, 1, 5)], {name: made})
    shown = full_text(Log("a.csv", (run,)), [summarise(run)])
    assert ("kind?: guessed" in shown) == guessed == ("read?" in shown)


def test_calls_of_other_threads_are_named_below_the_table():
    """3 ms on another thread, which no share of the loop holds."""
    run = make_run([10.0] * 50, [("gyro.read", 1, 2), ("range.read", 5, 3, "range")])
    shown = full_text(Log("a.csv", (run,)), [summarise(run)])
    assert "on other threads, ms/loop: range.read 3.00 (range)" in " ".join(shown.split())


@pytest.mark.parametrize(("more_ns", "shown"), [(200, ["0", "0", "%"]), (0, ["0", "0", "%"])])
def test_less_than_nothing_outside_is_rounding_and_shown_as_nothing(more_ns, shown):
    """Two parts of 5 ms that are together 200 ns longer than the loop of 10 ms."""
    run = make_run([10.0] * 50, [("gyro.read", 0, 5 + more_ns / 1e6), ("arm", 5, 5)])
    lines = full_text(Log("a.csv", (run,)), [summarise(run)]).splitlines()
    row = next(line.split() for line in lines if line.split()[:1] == ["unattributed"])
    assert row[1:4] == shown
