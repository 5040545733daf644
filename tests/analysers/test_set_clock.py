"""A clock that was set: what it went on by is in no figure."""

import numpy as np
import pytest

from looptime.analysers.set_clock import with_clock_undone
from looptime.findings import summarise
from tests.build_run import make_flat_run, make_run


def jumped(waited_ms, ahead_ms=7000.0):
    """1000 loops of 20 ms at a fixed rate; from loop 400 on the clock is ahead."""
    draw = np.random.default_rng(2)
    work = (10e6 * np.exp(draw.normal(0, 0.05, 1000))).astype(np.int64)
    wait = 20_000_000 + draw.integers(0, 30_000, 1000) - work
    wait[400] = int(waited_ms * 1e6)
    period = work + wait
    period[400] += int(ahead_ms * 1e6)
    return make_flat_run(period, {"update": work, "sleep": wait}, {"sleep": "pacing"})


@pytest.mark.parametrize(("waited_ms", "code"), [(10.0, "clock_set"), (0.0, "lone_stall")])
def test_a_long_loop_that_waited_as_ever_is_its_clock(waited_ms, code):
    """7 s in no call: a loop that had stood still in its work would have had no time to wait."""
    run = with_clock_undone(jumped(waited_ms))
    found = summarise(run)
    assert [f.code for f in found.findings if f.code in ("clock_set", "lone_stall")] == [code]
    undone = code == "clock_set"
    assert (found.pace.period_ms.max < 21) is undone
    assert (found.pace.rate_hz.by_time == pytest.approx(50, rel=0.002)) is undone
    assert bool(run.clock.limits) is undone


def test_all_that_comes_later_is_so_much_earlier():
    """3 s at 4 loops of 20 ms and 17 ms: calls of both threads, marks and signals stay together."""
    periods = np.full(60, 20.0)
    periods[4] += 3000.0
    calls = [[("read", 0.0, 5.0 + k % 3), ("sleep", 5.0 + k % 3, 14.0 - k % 3)] for k in range(60)]
    calls[4].append(("send", 10.0, 3010.0, "uplink"))
    run = make_run(periods, lambda k: calls[k], {"sleep": "pacing"},
                   signals={"angle": range(60)}, marks=[(3200.0, "read", "used")])  # fmt: skip
    made = with_clock_undone(run)
    at = made.loop_columns
    assert at.period_ns.tolist() == [20_000_000] * 60
    assert at.start_ns.tolist() == [k * 20_000_000 for k in range(60)]
    old = run.loop_columns.start_ns[run.call_columns.loop]
    since = made.call_columns.start_ns - at.start_ns[made.call_columns.loop]
    assert since.tolist() == (run.call_columns.start_ns - old).tolist()
    send = made.call_columns.name == [n.name for n in made.names].index("send")
    assert made.call_columns.duration_ns[send].tolist() == [10_000_000]
    assert made.signals.time_ns.tolist() == at.start_ns.tolist()
    assert made.marks.time_ns.tolist() == [200_000_000]
    assert made.clock.jumps[0]["loop"] == 4
    assert made.clock.jumps[0]["size_ns"] == 3_000_000_000


def test_a_sleep_after_the_work_tells_nothing():
    """It sleeps as long after a stall as ever."""
    draw = np.random.default_rng(3)
    work = draw.normal(10e6, 1e6, 500).astype(np.int64)
    sleep = np.full(500, 10_000_000)
    period = work + sleep
    period[200] += 2_700_000_000
    run = make_flat_run(period, {"update": work, "sleep": sleep}, {"sleep": "pacing"})
    assert with_clock_undone(run) is run
