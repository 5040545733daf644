"""Rows of timed calls in no order of time: told from a clock that begins anew."""

from operator import itemgetter

import numpy as np
import pytest

from tests.parsers.stamped import call_log, check_calls, two_threads


def test_interleaved_threads_are_no_clock_trouble(tmp_path):
    """Rows of threads among each other and out of order between them leave the clock alone."""
    rows = two_threads()
    mixed = [
        row for k in range(0, len(rows), 16) for row in sorted(rows[k : k + 16], key=itemgetter(0))
    ]
    log = call_log(tmp_path, mixed)
    check_calls(log.runs[0])
    assert log.runs[0].clock.restarts == log.runs[0].clock.jumps == log.runs[0].clock.wraps == ()


def test_sequence_orders_calls_of_one_instant(tmp_path):
    """On a coarse clock the sequence number, not the place in the file, orders a thread's rows."""
    rows = []
    for k in range(30):
        at = 16_000 * (k + k // 3 + k // 6)
        rows += [("main", 3 * k + 2, "c", at, 0), ("main", 3 * k, "a", at, 0)]
        rows += [("main", 3 * k + 1, "b", at, 0)]
    run = call_log(tmp_path, rows).runs[0]
    codes = run.call_columns.name[:6]
    assert [run.names[code].name for code in codes] == ["a", "b", "c"] * 2
    assert any("out of order" in note for note in run.clock.notes)


def test_rows_sorted_by_name_are_one_run(tmp_path):
    """A log whose rows are grouped by name steps back between the groups, but is one run."""
    rows = sorted(two_threads(), key=lambda row: (row[2], row[3]))
    rows = [("main", k, *row[2:]) for k, row in enumerate(rows) if row[0] == "main"]
    log = call_log(tmp_path, [("main", -1, *row[2:]) for row in rows])
    assert len(log.runs) == 1
    check_calls(log.runs[0])


@pytest.mark.parametrize("seed", [3, 9, 10, 13])
@pytest.mark.parametrize("order", ["by name", "by duration", "at random", "newest first"])
def test_calls_in_no_order_of_time(tmp_path, order, seed):
    """Uneven loops whose rows were sorted by something else are one run, and that is told."""
    rng = np.random.default_rng(seed)
    period = rng.integers(18_000, 22_000, 120)
    start = 5_000 + np.cumsum(period) - period
    rows = []
    for at, length in zip(start.tolist(), period.tolist(), strict=True):
        rows += [("main", -1, "gyro.read", at + 20, 900 + length % 97),
                 ("main", -1, "drive.update", at + 1590, 2700 + length % 89),
                 ("main", -1, "loop", at, length)]  # fmt: skip
    rows.sort(key=itemgetter(2 if order == "by name" else 4))
    if order == "newest first":
        rows.sort(key=lambda row: -row[3] - row[4])
    if order == "at random":
        rows = [rows[k] for k in rng.permutation(len(rows))]
    (run,) = call_log(tmp_path, rows).runs
    assert run.loop_columns.period_ns.tolist() == (1000 * period).tolist()
    assert run.rows_used == run.rows_read == 360
    assert run.clock.wraps == run.clock.jumps == run.clock.restarts == ()
    assert "out of order: sorted by time" in run.clock.notes[0]
