"""A recorded loop thread as a chain of stretches."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from looptime.planner.known.timeline import arrange, chain, lay
from looptime.run import CallColumns, LoopColumns, Run
from looptime.schema import CallName
from tests.planner.play.build import built, nested_loops


@given(nested_loops, st.integers(0, 2_000))
def test_a_chain_laid_out_is_the_run(loops, reach):
    """Nested calls, calls without length and calls across loops come back to the nanosecond."""
    run = built(loops, reach)
    line = chain(run)
    laid = lay(line, arrange(line, line.length, np.ones(len(line.row), bool)))
    at = run.call_columns
    assert np.array_equal(laid.start, at.start_ns)
    assert np.array_equal(laid.end - laid.start, at.duration_ns)
    assert np.array_equal(laid.self_ns, at.self_ns)
    assert np.array_equal(laid.loop_start, run.loop_columns.start_ns)
    spilt = {
        (r, j, t) for r, j, t in zip(at.spill_row, at.spill_loop, at.spill_ns, strict=True) if t
    }
    again = zip(laid.spill_row, laid.spill_loop, laid.spill_ns, strict=True)
    assert {(r, j, t) for r, j, t in again if t} == spilt


def test_calls_that_cross_each_other_over_loops_stay_in_their_own():
    """Every loop has two calls that last for five and ten more: no stretch is left to chance."""
    loop, start = np.arange(40).repeat(2), 8_000_000 * np.arange(40)
    calls = CallColumns(
        loop=loop, thread=0 * loop, name=np.arange(80) % 2, start_ns=start[loop],
        duration_ns=np.tile([40_000_000, 80_000_000], 40), self_ns=0 * loop, depth=0 * loop,
    )  # fmt: skip
    calls.start_ns[1::2] += 2_000_000
    loops = LoopColumns(np.arange(40), start, np.full(40, 8_000_000))
    names = CallName("one"), CallName("two")
    line = chain(Run(loops, calls, names, ("main",), 0))
    own = [int(line.length[line.owner == k].sum()) for k in range(80)]
    assert own == [2_000_000, 6_000_000] * 40  # the one that begins later is the inner one
