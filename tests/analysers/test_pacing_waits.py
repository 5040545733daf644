"""What shows itself to be a wait: simulated loops whose last part nothing names."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.pacing_waits import find_waits
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
@pytest.mark.parametrize("least", [2.0, 5.0, 10.0, 25.0, 100.0])
def test_what_is_as_long_each_time_may_be_work_as_well_as_a_sleep(least, row):
    """Never shorter than a round length and hardly longer: so ends a sleep, and so may work."""
    basis = prepare(unnamed(least + late(), row=row))
    assert basis.pacing.mode == "can't tell"
    assert "a sleep after the work, or work without a row" in basis.pacing.mode_from
    assert (basis.pacing.nominal_ms, basis.judged) == (None, "period")
    assert basis.unattributed_ns.mean() / 1e6 == pytest.approx(least, rel=0.05)


def test_the_same_with_a_name_is_the_sleep_that_it_says():
    """Labelled as pacing it is waited: 8 ms of work are left."""
    rest = 5 + late()
    work = np.random.default_rng(4).normal(8, 0.5, len(rest))
    parts = {"update": (1e6 * work).astype(np.int64), "pause": (1e6 * rest).astype(np.int64)}
    period = sum(parts.values())
    basis = prepare(make_flat_run(period, parts, {"update": "compute", "pause": "pacing"}))
    assert (basis.pacing.mode, basis.judged) == ("sleep after work", "work")
    assert basis.pacing.nominal_ms == pytest.approx(5, rel=0.05)
    assert basis.judged_ms.mean() == pytest.approx(8, rel=0.02)


def test_the_same_on_a_grid_is_the_wait_that_fills_it():
    """Rows of about 8 ms whose starts are 13 ms apart: the rest makes up for them."""
    work = np.random.default_rng(4).normal(8, 0.5, 300)
    run = make_run([13.0] * 300, lambda k: [("update", 0, work[k])], body_ms=work.tolist())
    assert prepare(run).pacing.nominal_ms == pytest.approx(13)


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


def what_is_left(most, catches_up, n=600):
    """Work of 6 ms to `most`, and the wait for ticks of 10 that follows it [ms].

    Ticks count from the end of a late loop, or from the first.
    """
    work, now, rest = np.random.default_rng(7).uniform(6, most, n), 0.0, []
    for k, took in enumerate(work):
        due = 10.0 * (k + 1) if catches_up else now + 10
        rest.append(max(due - now - took, 0.0))
        now += took + rest[-1]
    return work, np.array(rest)


@pytest.mark.parametrize("calls", [True, False])
@pytest.mark.parametrize(("most", "catches_up"), [(12, True), (13, True), (14, False), (16, False)])
def test_what_is_left_of_a_tick_that_many_loops_miss_is_waited(most, catches_up, calls):
    """A third of the loops are late or two of three: these go on at once, the others wait."""
    work, rest = what_is_left(most, catches_up)
    made = (lambda k: [("update", 0, work[k])]) if calls else ()
    basis = prepare(make_run((work + rest).tolist(), made, body_ms=work.tolist()))
    assert basis.waits.wait_ns / 1e6 == pytest.approx(rest, abs=1e-5)
    assert basis.pacing.mode == f"fixed rate, {'catches up' if catches_up else 'skips'}"
    assert (basis.pacing.nominal_ms, basis.judged) == (pytest.approx(10), "work")


def test_what_follows_some_loops_whatever_they_took_is_no_wait():
    """2 ms after every fifth loop."""
    work = np.random.default_rng(7).uniform(6, 12, 600)
    rest = np.where(np.arange(600) % 5, 0.0, 2.0)
    basis = prepare(make_run((work + rest).tolist(), body_ms=work.tolist()))
    assert (basis.waits.wait_ns, basis.pacing.mode) == (None, "free-running")
