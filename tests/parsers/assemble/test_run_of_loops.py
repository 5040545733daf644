"""A run of a log that has a row a loop."""

from __future__ import annotations

import looptime
from tests.parsers.assemble.build import write
from tests.parsers.build import balance


def test_stamps(tmp_path):
    """One stamp a row: periods are the steps, the last row begins a loop that never ended."""
    run = looptime.read(write(tmp_path, "time_ms,heading\n0,1\n10,2\n25,3\n"))
    assert run.loop_columns.period_ns.tolist() == [10_000_000, 15_000_000]
    assert run.signals.values["heading_deg"].tolist() == [1.0, 2.0]
    assert run.set_aside.counts == {"unfinished last loop": 1}
    balance(run)
