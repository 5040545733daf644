"""A ring buffer written out slot by slot is one run, read from its oldest row on."""

import numpy as np
import pytest

import looptime
from looptime.parsers.repair.ring import from_oldest

STEP_US, COUNT, OLDEST = 8300, 400, 150


def _row(kind, k):
    at = 85_000_000 + STEP_US * k
    return {
        "costs": [f"{at},1500,2250"],
        "numbered": [f"{1000 + k},{at},1500,2250"],
        "stages": [f"{at},{at + 1500},{at + 4000}"],
        "calls": [f"imu,{at},1500", f"belt,{at + 1500},2250"],
    }[kind]


HEADERS = {
    "costs": "time_us,imu_us,belt_us",
    "numbered": "seq,time_us,imu_us,belt_us",
    "stages": "start_us,read_us,end_us",
    "calls": "name,start_us,duration_us",
}


def _read(tmp_path, lines):
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return looptime.read_log(path, cache=False)


@pytest.mark.parametrize("kind", HEADERS)
def test_a_ring_is_one_run_from_its_oldest_row_on(tmp_path, kind):
    """400 loops of 8.3 ms with the oldest in slot 150: 399 whole periods, all of 8.3 ms."""
    order = np.roll(np.arange(COUNT), OLDEST)
    lines = [HEADERS[kind]] + [line for k in order for line in _row(kind, int(k))]
    [run] = _read(tmp_path, lines).runs
    period = run.loop_columns.period_ns
    assert len(period) == COUNT - 1
    assert set(period.tolist()) == {STEP_US * 1000}
    assert run.rows_read == run.rows_used + len(run.set_aside) == len(lines) - 1
    assert any("ring buffer" in note for note in run.clock.notes)


def test_a_clock_that_begins_anew_stays_two_runs(tmp_path):
    """The second recording ends 3 s before the first one's first row: nothing goes round."""
    places = [*range(200), *(k - 361 - 200 for k in range(200))]
    lines = [HEADERS["costs"]] + [line for k in places for line in _row("costs", k)]
    assert len(_read(tmp_path, lines).runs) == 2


def test_a_slow_loop_at_the_seam_asks_for_the_number():
    """Eight loops pass between last row and first: only a number that goes on says that it can."""
    time = np.array([100, 110, 120, 130, 0, 10, 20])
    number = np.array([7, 8, 9, 10, 4, 5, 6])
    assert from_oldest(time, 10.0, []) == 0
    assert from_oldest(time, 10.0, [number]) == 4
    assert from_oldest(time, 10.0, [number + 90 * (number > 6)]) == 0


@pytest.mark.parametrize(
    ("tens", "oldest"),
    [
        ([5, 6, 7, 1, 2, 3, 4], 3),
        ([4, 5, 6, 1, 2, 3], 3),
        ([5, 6, 7, 1, 3, 2, 4], 0),
        ([6, 7, 1, 2, 3, 4, 5], 0),
        ([3, 4, 5, 6, 7, 1, 2], 0),
    ],
)
def test_a_ring_has_one_seam_with_three_rows_on_either_side(tens, oldest):
    """A loop of 10: rows that step back twice, or only a row or two, are rows out of order."""
    assert from_oldest(10 * np.array(tens), 10.0, []) == oldest


def test_a_clock_that_wraps_to_0_is_no_ring(tmp_path):
    """Seconds of a minute, for just one minute: the loops are in order, which took 20 ms each."""
    lines = ["sec,imu_ms,belt_ms"] + [f"{(30 + 0.02 * k) % 60:.2f},4,7" for k in range(3000)]
    [run] = _read(tmp_path, lines).runs
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
    assert not any("ring buffer" in note for note in run.clock.notes)
