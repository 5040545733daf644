"""What shows itself to be a wait: simulated loops whose last part nothing names."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.pacing_waits import find_waits, slept
from tests.build_run import make_flat_run, make_run


def test_gap_after_the_loop_row_is_the_wait():
    """Where the loop's own row ends before the next start, the rest is waiting."""
    run = make_run(
        [20] * 4, [("update", 0, 6), ("late", 13, 2)], body_ms=[8] * 4,
        names={"update": "compute", "late": "telemetry"},
    )  # fmt: skip
    waits = find_waits(run, run.self_pieces())
    assert waits.wait_ns.tolist() == [10_000_000] * 4  # 20 - 8, less the call in the gap


def test_a_wait_inside_the_row_and_a_gap_after_it_add_up():
    """A pacing call within the loop's row and a gap behind it are two waits."""
    run = make_run([20] * 3, [("pace", 5, 3)], {"pace": "pacing"}, body_ms=[15] * 3)
    assert find_waits(run, run.self_pieces()).wait_ns.tolist() == [8_000_000] * 3


def unnamed(rest, seed=4, *, row=True):
    """Loops of about 8 ms of work and then the given rest [ms], with a row for each or without."""
    work = np.random.default_rng(seed).normal(8, 0.5, len(rest))
    if row:
        return make_run(
            (work + rest).tolist(), lambda k: [("update", 0, work[k])], body_ms=work.tolist()
        )
    calls = {"update": (1e6 * work).astype(np.int64)}
    return make_flat_run((1e6 * (work + rest)).astype(np.int64), calls)


def late(n=300, seed=5):
    """How late sleeps end [ms]: never early, and by 0.06 ms at least."""
    return 0.06 + np.random.default_rng(seed).exponential(0.03, n)


def scattered(n=300, seed=5):
    """What a block of code takes each time, as a share of its usual length: give or take 6 %."""
    return np.random.default_rng(seed).normal(1, 0.06, n)


@pytest.mark.parametrize("row", [True, False])
@pytest.mark.parametrize("asked", [2.0, 5.0, 10.0, 25.0, 100.0])
def test_a_sleep_ends_late_and_never_early(asked, row):
    """What follows the work is never shorter than a round length, and hardly longer."""
    basis = prepare(unnamed(asked + late(), row=row))
    assert basis.pacing.mode == "sleep after work"
    assert "never less and hardly more" in basis.pacing.mode_from
    assert basis.pacing.nominal_ms == pytest.approx(asked, rel=0.05)
    assert basis.judged == "work"
    assert basis.judged_ms.mean() == pytest.approx(8, rel=0.02)


@pytest.mark.parametrize("row", [True, False])
@pytest.mark.parametrize("usual", [0.82, 1.06, 2.0, 5.2, 10.3])
def test_a_block_of_code_without_a_name_is_no_sleep(usual, row):
    """It takes as long each time, give or take 6 %: it stays with what nothing accounts for."""
    rest = usual * scattered()
    basis = prepare(unnamed(rest, row=row))
    assert basis.pacing.mode in ("free-running", "can't tell")
    assert "a sleep" in basis.pacing.mode_from
    assert basis.pacing.nominal_ms is None
    assert not basis.pacing.wait_known
    assert basis.unattributed_ns.mean() / 1e6 == pytest.approx(usual, rel=0.03)


def test_a_length_that_nobody_writes_is_no_sleep():
    """Never shorter than 3.67 ms and hardly longer: a sleep of none that programs hold."""
    basis = prepare(unnamed(3.61 + late()))
    assert basis.pacing.mode == "can't tell"
    assert "time it under a name of its own" in basis.pacing.mode_from


def test_what_stretches_with_the_work_is_no_sleep():
    """A board that slows down stretches all its code, and no sleep."""
    slow = np.repeat([1.0, 1.02, 1.04], 100)
    work = 8 * slow + np.random.default_rng(2).normal(0, 0.01, 300)
    assert slept(5.06 * slow + late(), work) is None
    assert slept(5.0 + late(), work) == 5.0


def test_even_work_tells_no_sleep():
    """Nothing shows what a longer loop would do to the part that no row names."""
    assert slept(5 + late(), np.full(300, 8.0)) is None


def test_a_clock_as_coarse_as_what_a_sleep_is_late_tells_none():
    """Whole milliseconds hide whether a part of five of them is ever shorter."""
    assert slept(np.full(300, 5.0), np.repeat([8.0, 9.0], 150), grain=1.0) is None


def test_what_fills_the_loop_up_is_waited():
    """Work of 8 ms and what is left of 20 after its row: 12 ms of wait."""
    work = np.random.default_rng(4).normal(8, 0.5, 300)
    run = make_run([20] * 300, [("update", 0, 6)], body_ms=work.tolist())
    waits = find_waits(run, run.self_pieces())
    assert waits.wait_ns.mean() / 1e6 == pytest.approx(20 - work.mean())


def test_even_work_before_a_part_without_a_name_is_no_rate():
    """8 ms of work and a block of 0.8 ms: within a percent of each other, and no tick of any."""
    work = np.full(300, 8.0)
    run = make_run((work + 0.8 * scattered()).tolist(), [("update", 0, 6)], body_ms=work.tolist())
    assert not prepare(run).pacing.fixed_rate


def test_a_moment_between_rows_is_no_sleep():
    """After each row 0.2 ms pass, as from one pass to the next."""
    found = prepare(unnamed(0.2 + 0.1 * late())).pacing
    assert (found.mode, found.wait_known) == ("free-running", False)
