"""Calls whose clock begins anew with every loop."""

import numpy as np
import pytest

import looptime
from tests.parsers.build import read, self_ms

LOOPS, NAMES = 120, ("imu.read", "drive.write", "lift.update")


def _calls(rng):
    """Lengths of the calls of every loop and the pauses before them [us], shape (loops, 3)."""
    took = rng.integers(300, 900, (LOOPS, 3))
    took[5::30, 2] += 7000
    return took, rng.integers(5, 40, (LOOPS, 3))


@pytest.mark.parametrize("numbered", [True, False])
def test_loops_that_are_counted_from_their_begin_last_until_their_last_call_ends(
    tmp_path, numbered
):
    """Periods and self times are the generator's; what passes outside is said to be unseen."""
    took, pause = _calls(np.random.default_rng(1))
    pause[:, 0] = 0
    end = np.cumsum(took + pause, axis=1)
    start = end - took
    log = "loop,name,start_us,end_us\n" if numbered else "name,start_us,end_us\n"
    for k in range(LOOPS):
        head = f"{k + 40}," if numbered else ""
        log += "".join(
            f"{head}{n},{a},{b}\n" for n, a, b in zip(NAMES, start[k], end[k], strict=True)
        )
    run = read(tmp_path, log)
    assert run.loop_columns.period_ns.tolist() == (1000 * end[:-1, -1]).tolist()
    assert run.loop_columns.loop.tolist() == [k + 40 * numbered for k in range(LOOPS - 1)]
    for at, name in enumerate(NAMES):
        assert self_ms(run)[name] == [us / 1000 for us in took[:-1, at]]
    assert any("no clock in the log" in one for one in run.clock.limits)


def test_a_counter_that_wraps_in_any_call_goes_on(tmp_path):
    """16 bits of microseconds wrap every 30 loops, in any call: no loop is laid anew."""
    took, pause = _calls(np.random.default_rng(2))
    end = np.cumsum((took + pause).ravel()).reshape(took.shape)
    start = end - took
    log = "name,start_us,duration_us\n" + "".join(
        f"{NAMES[c]},{start[k, c] % 65536},{took[k, c]}\n" for k in range(LOOPS) for c in range(3)
    )
    path = tmp_path / "log.csv"
    path.write_text(log)
    run = looptime.read(path)
    assert len(run.clock.wraps) >= 3
    assert run.loop_columns.period_ns.sum() == 1000 * (start[-1, 0] - start[0, 0])
