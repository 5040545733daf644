"""Dates and times of day in the orders in which they are written."""

import numpy as np
import pyarrow as pa
import pytest

import looptime
from looptime.parsers.text.datetimes import (
    DATE_TIME,
    DAY_FIRST,
    MONTH_FIRST,
    parse_stamps,
    stamp_format,
)
from tests.parsers.build import periods_ms, read


@pytest.mark.parametrize(
    ("cells", "fmt"),
    [
        (["13/02/2026 10:00:00", "13/02/2026 10:00:01"], DAY_FIRST),
        (["02/13/2026 10:00:00"], MONTH_FIRST),
        (["13.2.26 10:00"], DAY_FIRST),
        # no number above 12, but after midnight the day goes on by one
        (["03/11/2026 23:59:59", "04/11/2026 00:00:00"], DAY_FIRST),
        (["03/11/2026 23:59:59", "03/12/2026 00:00:00"], MONTH_FIRST),
        # nothing tells: a half of the day is written where the month comes first
        (["03/11/2026 09:13:22 PM"], MONTH_FIRST),
        (["03/11/2026 09:13:22"], DAY_FIRST),
        (["2026/02/13 10:00:00.5"], DATE_TIME),
    ],
)
def test_order_of_day_and_month(cells, fmt):
    """It is told by the dates themselves."""
    assert stamp_format(cells) == fmt


@pytest.mark.parametrize(
    ("cell", "fmt"),
    [
        ("13/02/2026 21:13:22.5", DAY_FIRST),
        ("02/13/2026 09:13:22.5 PM", MONTH_FIRST),
        ("02-13-26 9:13:22,5 p.m.", MONTH_FIRST),
        ("13.02.2026 22:13:22.5 +01:00", DAY_FIRST),
        ("2026-02-13T21:13:22.5Z", DATE_TIME),
        ("2026-02-13 21:13:22.5 UTC", DATE_TIME),
        ("2026-02-13 16:13:22.5-0500", DATE_TIME),
    ],
)
def test_one_instant_in_many_spellings(cell, fmt):
    """Half past of a second on the evening of 13 February 2026, to the nanosecond."""
    ns, ok, _ = parse_stamps(pa.chunked_array([[cell]]), fmt)
    expected = np.datetime64("2026-02-13T21:13:22.500000000").astype(np.int64)
    assert ok.tolist() == [True]
    assert ns.tolist() == [expected]


def test_noon_and_midnight_in_halves():
    """Twelve at night is 0 h, twelve at noon 12 h."""
    cells = ["02/13/2026 12:00:00 AM", "02/13/2026 12:00:00 PM", "02/13/2026 1:00:00 PM"]
    ns, _, _ = parse_stamps(pa.chunked_array([cells]), MONTH_FIRST)
    assert (np.diff(ns) / 3600e9).tolist() == [12.0, 1.0]


def test_no_such_day():
    """The thirteenth month is none."""
    assert parse_stamps(pa.chunked_array([["13/13/2026 10:00:00"]]), DAY_FIRST)[1].tolist() == [
        False
    ]


@pytest.mark.parametrize("stamp", ["13/02/2026 10:00:{s:06.3f}", "02/13/2026 10:00:{s:06.3f} AM",
                                   "10:00:{s:06.3f} AM", "10:00:{s:06.3f}+02:00"])  # fmt: skip
@pytest.mark.parametrize("delimiter", [",", "\t", ";"])
def test_logs_with_such_stamps(tmp_path, stamp, delimiter):
    """Periods of 20, 30 and 25 ms."""
    rows = [stamp.format(s=s) + delimiter + "1.5" for s in (1.0, 1.02, 1.05, 1.075)]
    run = read(tmp_path, f"time{delimiter}imu\n" + "\n".join(rows))
    assert periods_ms(run) == [20.0, 30.0, 25.0]
    assert run.clock.tick_ns == 5_000_000  # all steps are multiples of it


WHOLE = [0, 0, 0, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5, 5, 6]


@pytest.mark.parametrize("stamp", ["{}", "03/11/2025 09:13:{:02} +00:00", "09:13:{:02}"])
def test_whole_seconds_give_a_rate_and_no_period(tmp_path, stamp):
    """Fifteen loops in six seconds; a tick of a second, and nothing said of single loops."""
    first = 1_767_225_600 if stamp == "{}" else 0
    text = "time,depth\n" + "".join(f"{stamp.format(first + s)},1.5\n" for s in WHOLE)
    run = read(tmp_path, text)
    assert run.clock.tick_ns == 1_000_000_000
    summary = looptime.summarise(run)
    said = summary.to_dict()
    assert said["rate_hz"] == {"by_loops": None, "by_time": 2.5}
    assert said["period_ms"]["mean"]["value"] == 400.0
    assert said["period_ms"]["p50"]["value"] is None
    assert said["period_ms"]["max"] is None
    assert said["pacing"]["mode"] == "can't tell"
    assert [finding["code"] for finding in said["findings"]] == ["rate_alone"]
    assert said["loops"]["warmup"] == 0


def test_slow_loops_on_a_clock_of_seconds_keep_their_periods(tmp_path):
    """Where a loop lasts ten seconds, a second is fine enough."""
    text = "time_s,depth\n" + "".join(f"{10 * k + k % 2},1.5\n" for k in range(30))
    said = looptime.summarise(read(tmp_path, text)).to_dict()
    assert said["period_ms"]["p50"]["value"] is not None


@pytest.mark.parametrize(
    ("header", "parts"),
    [("secs,nsecs,depth", 1_000_000_000), ("stamp.sec,stamp.nanosec,depth", 1_000_000_000),
     ("depth,time_s,time_us", 1_000_000)],
)  # fmt: skip
def test_seconds_and_their_fraction_in_two_columns(tmp_path, header, parts):
    """Instants 61.7 us apart across a full second, to the nanosecond where that is logged."""
    rows = []
    for k in range(40):
        ns = 999_000_000 + k * 61_700
        cells = {"secs": 1_767_225_600 + ns // 10**9, "part": ns % 10**9 // (10**9 // parts)}
        last = header.startswith("depth")
        whole = f"{cells['secs']},{cells['part']}"
        rows.append(f"1.5,{whole}" if last else f"{whole},1.5")
    run = read(tmp_path, header + "\n" + "\n".join(rows))
    steps = set(run.loop_columns.period_ns.tolist())
    assert steps <= ({61_700} if parts == 10**9 else {61_000, 62_000})
