"""Clocks that move more coarsely than they print, made by rounding an even loop down."""

import numpy as np
import pytest

from looptime.parsers.clock.stepping import stepping
from tests.parsers.build import read

MS = 1_000_000


@pytest.mark.parametrize(("loop_us", "step_us"), [(4000, 15_625), (2100, 10_000), (66_000, 10**6)])
def test_rows_that_share_a_stamp(loop_us, step_us):
    """Rounded to whole steps and printed in milliseconds, the step is found to a thousandth."""
    time = np.arange(3000) * loop_us // step_us * step_us // 1000 * MS
    found = stepping(time, MS)
    assert found.step_ns == pytest.approx(step_us * 1000, rel=1e-3)
    assert found.shared == pytest.approx(1 - loop_us / step_us, abs=0.01)


def test_even_turns_are_those_of_the_clock():
    """A loop of 7.5 ms on a clock of 5 ms shows steps of 5 and of 10 ms in even turns."""
    found = stepping(np.arange(500) * 7_500_000 // (5 * MS) * 5 * MS, MS)
    assert (found.step_ns, found.turns) == (5 * MS, (5 * MS, 10 * MS))


def test_missed_turns_of_a_paced_loop_are_no_steps_of_the_clock():
    """A loop that now and then takes two slots strays from a straight line: it is the loop."""
    draw = np.random.default_rng(3)
    assert stepping(np.cumsum(np.where(draw.random(500) < 0.3, 20, 10)) * MS, MS).step_ns == 0


def test_fine_clocks_and_short_logs_say_nothing():
    """Steps of many lengths, or too few of them, tell of no coarser step."""
    draw = np.random.default_rng(3)
    assert stepping(np.cumsum(draw.integers(9 * MS, 12 * MS, 300)), 1).step_ns == 0
    assert stepping(np.arange(10) // 3 * 15 * MS, MS).step_ns == 0


def test_what_a_log_says_of_its_clock(tmp_path):
    """The step is the clock's tick, and the share of rows that share a stamp is told."""
    rows = "".join(f"{k * 4 // 16 * 16},{k % 7}\n" for k in range(400))
    run = read(tmp_path, "time_ms,heading\n" + rows)
    assert run.clock.tick_ns == 16 * MS
    assert any("75 % of the rows have the stamp" in note for note in run.clock.notes)
