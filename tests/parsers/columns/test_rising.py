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


def stuck(zero, header="time_us,gyro_us,drive_us"):
    """Loops of 1, 2 and 0.25 ms, 3.25 in all, whose clock is 0 in some of its rows."""
    draw = np.random.default_rng(5)
    gyro, drive = draw.integers(900, 1100, 300), draw.integers(1900, 2100, 300)
    time = np.concatenate([[0], np.cumsum(gyro + drive + 250)[:-1]])
    time[zero] = 0
    rows = zip(time, gyro, drive, strict=True)
    return header + "\n" + "".join(",".join(map(str, row)) + "\n" for row in rows)


@pytest.mark.parametrize("header", ["time_us,gyro_us,drive_us", "Zeit [us],gyro_us,drive_us"])
@pytest.mark.parametrize("count", [60, 100, 160, 250])
@pytest.mark.parametrize("where", ["end", "middle", "begin"])
def test_a_clock_that_stops_at_zero_is_still_the_clock(tmp_path, header, count, where):
    """Periods are those of the rows in which it went on, and what it did elsewhere is told."""
    low = {"begin": 0, "middle": 20, "end": 300 - count}[where]
    path = tmp_path / "log.csv"
    path.write_text(stuck(slice(low, low + count), header), encoding="utf-8")
    log = looptime.read_log(path, cache=False)
    run = max(log.runs, key=len)
    assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(3.25, rel=0.02)
    assert np.mean(run.loop_columns.period_ns) / 1e6 == pytest.approx(3.25, rel=0.02)
    told = any("the clock stood still" in note for note in run.clock.notes)
    assert told or log.rows_by_reason.get("corrupt stamp", 0) == count


def test_what_is_named_like_a_clock_and_is_none_is_told(tmp_path):
    """Zeros in every row, or in all but a few: the lengths alone count, and a caution says so."""
    path = tmp_path / "log.csv"
    for zero, said in ((slice(0, 300), "named like a clock"), (slice(12, 300), "not certain")):
        path.write_text(stuck(zero), encoding="utf-8")
        run = looptime.read(path, cache=False)
        assert np.mean(run.loop_columns.period_ns) / 1e6 == pytest.approx(3.0, rel=0.02)
        assert any(said in note for note in run.clock.notes)
