"""Parts beside a clock that ticks about as fast as loops pass: nothing is put beside the loop."""

import numpy as np
import pytest

import looptime
from looptime.analysers.pacing import pacing
from looptime.parsers.columns.against_steps import few_lengths
from tests.parsers.columns.build import write

PARTS = ("gyro", "wheels", "trays")


def log_of(tmp_path, beside=False, loops=1500):
    """Loops of about 10.6 ms by a clock of 10 ms, with three parts that fill 9.9 of them.

    With something that takes 8 ms on another thread, in the same units.
    """
    draw = np.random.default_rng(5)
    parts = [draw.normal(mean, 0.3, loops) for mean in (1.1, 6.3, 2.5)]
    at = np.cumsum(np.append(0, sum(parts) + draw.normal(0.7, 0.05, loops)))[:loops]
    parts += [draw.normal(8, 0.5, loops)] * beside
    names = [f"{name} (ms)" for name in (*PARTS, *["camera"] * beside)]
    stamps = [f"09:30:{int(t // 1000):02d}.{int(t % 1000 // 10):02d}" for t in at]
    rows = list(zip(stamps, *([f"{took:.2f}" for took in part] for part in parts), strict=True))
    return write(tmp_path, ",".join(["clock", *names]), rows), at, parts


def test_parts_longer_than_a_loop_that_was_cut_to_ticks(tmp_path):
    """Over many loops in a row they fit; the clock's tick is its own, not that of the parts."""
    path, at, parts = log_of(tmp_path)
    run = looptime.read(path)
    assert [call.name for call in run.names] == list(PARTS)
    assert run.clock.tick_ns == 10_000_000
    assert len(run) == len(at) - 1
    took = run.call_columns.duration_ns.sum() / 1e6
    assert took == pytest.approx(sum(part[:-1].sum() for part in parts), rel=1e-3)
    assert not any("outside every part" in note for note in run.clock.notes)
    paced = pacing(run)
    assert paced.mode == "can't tell"
    assert "10 ms" in paced.mode_from


def test_what_runs_on_another_thread_fits_no_loops_in_a_row(tmp_path):
    """Some part is still put beside them, as all together are longer than the loops."""
    run = looptime.read(log_of(tmp_path, beside=True)[0])
    assert len(run.names) < len(PARTS) + 1


def test_steps_of_centuries_are_no_coarse_clock():
    """Longer than 64 bits hold: nothing is cast to what it does not fit into."""
    assert not few_lengths(np.linspace(1e18, 9e22, 60))
    assert few_lengths(1e7 + 1e7 * (np.arange(60) % 2))


def test_stamps_on_slots_are_no_coarse_clock(tmp_path):
    """Slots of 20 ms, some of which are missed: all steps are multiples of more than a digit."""
    draw = np.random.default_rng(8)
    took = draw.normal(12, 0.4, 1200)
    slots = np.append(0, np.cumsum(1 + (draw.random(1199) < 0.04) * draw.integers(1, 4, 1199)))
    rows = [(f"{0.02 * slot:.3f}", f"{ms:.3f}") for slot, ms in zip(slots, took, strict=True)]
    run = looptime.read(write(tmp_path, "time_s,wheels_ms", rows))
    assert run.clock.tick_ns < 1_000_000
    assert pacing(run).nominal_ms == pytest.approx(20)
