"""A recorded loop thread as a chain of stretches."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from looptime.planner.known.timeline import arrange, chain, lay
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
