"""A fine clock beside one that rounds it, or that shows something else."""

import numpy as np
import pytest

from looptime.parsers.columns.rounded_clock import disagreement, rounds
from looptime.parsers.columns.second_clock import finer_of
from tests.parsers.build import read

TICKS = (10**6, 1000)


def clocks(kind="", n=2000):
    """Loops of 20 ms of which 1 in 80 takes 65, to the millisecond, and by a finer clock [ns]."""
    rng = np.random.default_rng(4)
    stall = np.where(np.arange(n) % 80 == 40, 45_000_000, 0)
    start = 3 * 10**9 + np.cumsum(20_000_000 + rng.integers(-150, 150, n) * 1000 + stall)
    fine = start.copy()
    if kind == "stops":
        fine -= np.cumsum(stall) // 10 * 9
    elif kind == "begins anew":
        fine[n // 3 :] -= fine[n // 3] - 100_000
    elif kind == "late":
        fine[100::500] += 3_000_000
    elif kind == "fast":
        fine += (start - start[0]) // 50
    elif kind == "skewed":
        fine += (start - start[0]) // 20_000
    return start // 10**6 * 10**6, fine


@pytest.mark.parametrize(("kind", "same"), [
    ("", True), ("skewed", True), ("stops", False), ("begins anew", False), ("late", False),
    ("fast", False),
])  # fmt: skip
def test_the_finer_clock_is_used_only_where_the_other_rounds_it(kind, same):
    """Each step and what they add up to agrees, but for a rate of some parts in a million."""
    coarse, fine = clocks(kind)
    assert rounds(coarse, fine, TICKS) is same
    assert finer_of(coarse, fine, TICKS) == (1 if same else None)
    assert finer_of(fine, coarse, TICKS[::-1]) == (0 if same else None)


def test_both_may_begin_anew_together():
    """Two runs in a file: each is rounded by itself."""
    coarse, fine = clocks()
    assert rounds(np.append(coarse, coarse), np.append(fine, fine), TICKS)


@pytest.mark.parametrize(("kind", "steps"), [
    ("", 0), ("skewed", 0), ("fast", 0), ("stops", 25), ("begins anew", 1), ("late", 8),
])  # fmt: skip
def test_disagreements_are_counted(kind, steps):
    """The steps at which one stops, is set or late; a rate of its own is none."""
    said = disagreement(*clocks(kind), TICKS, ("t_ms", "mcu_us"))
    assert len(said) == bool(steps)
    assert not steps or f"disagree in {steps} of 1,999 steps" in said[0]


def test_stalls_that_a_board_counts_in_part_are_told(tmp_path):
    """Nothing tells which of the two is right: how often and by how much they differ is said."""
    coarse, fine = clocks("stops")
    pairs = zip(coarse.tolist(), fine.tolist(), strict=True)
    rows = [f"{a // 10**6},{b // 1000},900,{3400 + k % 90}" for k, (a, b) in enumerate(pairs)]
    run = read(tmp_path, "\n".join(["t_ms,board_us,gyro_us,drive_us", *rows]) + "\n")
    assert any("disagree in 25 of" in said for said in run.clock.notes)
