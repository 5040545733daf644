"""The clock that tells single loops, beside one that is coarse: simulated in time."""

import datetime

import numpy as np
import pytest

import looptime


def loops(count=400):
    """What the arm and the drive took, and when each loop began [ms]."""
    rng = np.random.default_rng(4)
    arm, drive = rng.uniform(4, 9, count), rng.uniform(2, 4, count)
    period = arm + drive + 0.5
    return arm, drive, np.cumsum(period) - period


@pytest.mark.parametrize("first", [5_000, 60_000])
def test_a_counter_goes_on_between_the_ticks_of_a_date_time(tmp_path, first):
    """A date-time to the second beside milliseconds of 16 bits, which wrap in one of the two."""
    arm, drive, begin = loops()
    day = datetime.datetime(2026, 3, 4, 9)
    seconds = [day + datetime.timedelta(seconds=int(t // 1000)) for t in begin]
    rows = [
        f"{second},{(int(t) + first) % 65536},{a:.2f},{d:.2f}"
        for second, t, a, d in zip(seconds, begin, arm, drive, strict=True)
    ]
    path = tmp_path / "log.csv"
    path.write_text("when,millis,arm,drive\n" + "\n".join(rows) + "\n", encoding="utf-8")
    run = looptime.read(path, unit="ms")
    assert {name.name for name in run.names} == {"arm", "drive"}
    assert np.diff(run.loop_columns.start_ns) / 1e6 == pytest.approx(
        np.diff(np.floor(begin))[: len(run) - 1], abs=1e-6
    )


def test_seconds_since_1970_are_a_clock_whatever_their_name(tmp_path):
    """Whole ones without a unit are not: they may be any number."""
    begin = loops()[2]
    path = tmp_path / "log.csv"
    text = "".join(f"{1.77e9 + t / 1e3:.4f},{k % 7}\n" for k, t in enumerate(begin))
    path.write_text("host,bench\n" + text, encoding="utf-8")
    steps = np.diff(looptime.read(path).loop_columns.start_ns) / 1e6
    assert steps == pytest.approx(np.diff(begin)[: len(steps)], abs=0.11)
    whole = "".join(f"{1_770_000_000 + 3 * k + k % 2},{k % 7}\n" for k in range(100))
    path.write_text("host,bench\n" + whole, encoding="utf-8")
    with pytest.raises(looptime.errors.LogError):
        looptime.read(path)
