"""Units and ticks of clocks, instants written as text, and two clocks in one row."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.clock.unwrap import Wrapped
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.second_clock import choose_clock
from looptime.parsers.columns.unit import Unit, _since_1970, check_periods, in_16_bits, tick_of
from looptime.project import LogOptions, Project

RNG = np.random.default_rng(21)


def write(tmp_path, header, rows):
    path = tmp_path / "log.csv"
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    path.write_text(f"{header}\n{text}", encoding="utf-8")
    return path


def stamps(tmp_path, times, header="time,heading_deg", **given):
    """A run of bare stamps with one signal."""
    rows = [(t, k % 7) for k, t in enumerate(times)]
    return looptime.read(write(tmp_path, header, rows), **given)


def periods(run, unit=1e6):
    return (run.loop_columns.period_ns / unit).tolist()


@pytest.mark.parametrize(
    ("header", "step", "unit", "said"),
    [
        ("time_us,x", 10_000, "us", "header"),
        ("time [ms],x", 10, "ms", "header"),
        ("t (s),x", 0.25, "s", "header"),
        ("time,x", 15_000_000, "ns", "inferred"),
        ("time,x", 15_000, "us", "inferred"),
        ("time,x", 15, "ms", "inferred"),
        ("time,x", 0.015, "s", "inferred"),
    ],
)
def test_unit_from_header_or_inferred(tmp_path, header, step, unit, said):
    """The header's unit is taken; without one, the only unit that makes a loop's period."""
    run = stamps(tmp_path, [round(5 + k * step, 6) for k in range(20)], header)
    assert run.clock.unit == unit
    assert run.clock.unit_from.startswith(said)
    if said == "inferred":
        assert f"{step:g}" in run.clock.unit_from


def test_header_that_lies_about_its_unit(tmp_path):
    """A time_us column that holds seconds is asked about, and --unit settles it."""
    times = [round(10 + 0.02 * k, 3) for k in range(50)]
    with pytest.raises(LogError, match="--unit s would make it 20 ms"):
        stamps(tmp_path, times, "time_us,x")
    assert set(periods(stamps(tmp_path, times, "time_us,x", unit="s"))) == {20.0}


def test_header_that_lies_in_a_log_of_calls(tmp_path):
    """The same holds for timed calls: their loops are judged once they are found."""
    rows = []
    for k in range(50):
        rows += [("gyro.read", round(0.02 * k, 3), 0.002)]
        rows += [("drive.write", round(0.02 * k + 0.005, 3), 0.001)]
    path = write(tmp_path, "name,start_us,duration_us", rows)
    with pytest.raises(LogError, match="--unit"):
        looptime.read(path)
    assert set(periods(looptime.read(path, unit="s"))) == {20.0}


@pytest.mark.parametrize(
    ("form", "zone"),
    [
        ("2026-03-01T{}Z", 0),
        ("2026-03-01 {}", 0),
        ("2026-03-01T{}+02:00", 2),
        ("2026-03-01T{}-0530", -5.5),
    ],
)
def test_dates_with_and_without_zone(tmp_path, form, zone):
    """Dates become nanoseconds since 1970 in UTC; a date without zone is taken as it stands."""
    times = [form.format(f"10:00:{0.02 * k:012.9f}") for k in range(20)]
    run = stamps(tmp_path, times)
    assert set(periods(run)) == {20.0}
    # 2026-03-01 is day 20 513 since 1970-01-01
    assert run.loop_columns.start_ns[0] == round((20_513 * 24 + 10 - zone) * 3600) * 10**9
    assert run.clock.unit == "date-time"


def test_dates_across_a_new_year(tmp_path):
    """A run goes on over the turn of a year; a day that is in no calendar is set aside."""
    times = ["2027-12-31T23:59:59.98Z", "2027-12-31T23:59:59.99Z", "2028-01-01T00:00:00Z",
             "2028-01-01T00:00:00.010Z", "2028-02-30T00:00:00Z"]  # fmt: skip
    run = stamps(tmp_path, times)
    assert periods(run) == [10.0] * 3
    assert run.set_aside.counts["unreadable number"] == 1


def test_times_of_day(tmp_path):
    """Times of day with any number of decimals."""
    run = stamps(tmp_path, ["9:15:00", "9:15:00.02", "9:15:00.04", "9:15:00.0600005"])
    assert run.loop_columns.start_ns[0] == (9 * 3600 + 15 * 60) * 10**9
    assert run.loop_columns.period_ns.tolist() == [20_000_000, 20_000_000, 20_000_500]


def test_calls_between_dates(tmp_path):
    """Timed calls whose starts and ends are dates, and whose durations are not asked for."""
    rows = []
    for k in range(9):
        at = 0.02 * k
        rows.append((f"2026-03-01T10:00:{at:09.6f}Z", "gyro.read", 2.5))
        rows.append((f"2026-03-01T10:00:{at + 0.01:09.6f}Z", "drive.write", 0.5))
    run = looptime.read(write(tmp_path, "start,name,duration_ms", rows))
    assert set(periods(run)) == {20.0}
    assert set(run.call_columns.duration_ns.tolist()) == {2_500_000, 500_000}


@pytest.mark.parametrize(
    ("scale", "digits", "unit"), [(10**9, 9, "s"), (10**6, 6, "ms"), (10**3, 3, "us"), (1, 0, "ns")]
)
def test_epochs_keep_every_nanosecond(tmp_path, scale, digits, unit):
    """Times since 1970 in any unit lose nothing, though a double would be off by 200 ns."""
    true = 1_767_225_600_123_456_789 + np.cumsum(RNG.integers(19_000_000, 21_000_000, 30))
    texts = [f"{t // scale}.{t % scale:0{digits}d}" if digits else str(t) for t in true.tolist()]
    run = stamps(tmp_path, texts)
    assert run.loop_columns.start_ns.tolist() == true[:-1].tolist()
    assert run.clock.unit == unit
    assert "since 1970" in run.clock.unit_from


def test_whole_seconds_since_1970(tmp_path):
    """Stamps of whole seconds are dates by their size, though steps of 1 might be milliseconds."""
    times = [1_767_225_600 + k // 4 for k in range(60)]
    run = stamps(tmp_path, times)
    assert run.clock.unit == "s"
    assert run.clock.tick_ns == 10**9
    assert any("single loops is not known" in note for note in run.clock.notes)


def test_float32_seconds(tmp_path):
    """Seconds kept in 32 bits after 2 h 47 min step by 2^-10 s, 9.8 % of a loop of 10 ms."""
    exact = 10_000 + np.cumsum(RNG.uniform(0.0085, 0.0105, 200))
    run = stamps(tmp_path, [f"{t:.7f}" for t in exact.astype(np.float32).astype(float)], "time_s,x")
    assert run.clock.tick_ns == 976_562
    assert any("32-bit floats" in note for note in run.clock.notes)
    finer = stamps(tmp_path, [f"{t:.7f}" for t in exact], "time_s,x")
    assert finer.clock.tick_ns < 1000
    assert finer.clock.notes == ()


@pytest.mark.parametrize(("tick", "told"), [(1, False), (4, True)])
def test_tick_is_measured(tmp_path, tick, told):
    """The clock's smallest step is measured; one coarser than a tenth of the period is told."""
    times = np.cumsum(RNG.integers(16 // tick, 28 // tick, 300)) * tick
    run = stamps(tmp_path, times, "time_ms,x")
    assert run.clock.tick_ns == tick * 10**6
    assert bool(run.clock.notes) == told


def two_clocks(tmp_path, header, host_first=True):
    """A device clock with 0.1 ms of jitter, and a host clock that bunches rows and runs ahead."""
    device = 5_000 + np.cumsum(20_000 + RNG.normal(0, 100, 400)).round()
    host = 7_000 + device * (1 + 50e-6) + RNG.normal(0, 4_000, 400)
    host = np.maximum.accumulate(host).round()
    pairs = zip(host, device, strict=True) if host_first else zip(device, host, strict=True)
    rows = [(f"{a / 1000:.3f}", f"{b:.0f}", 1) for a, b in pairs]
    if not host_first:
        rows = [(f"{float(a) * 1000:.0f}", f"{float(b) / 1000:.3f}", c) for a, b, c in rows]
    run = looptime.read(write(tmp_path, header, rows))
    assert np.allclose(np.diff(device) / 1000, periods(run), atol=1e-6)
    return run


@pytest.mark.parametrize("host_first", [True, False])
def test_the_steadier_clock_is_used(tmp_path, host_first):
    """Of a host's and a device's clock the steadier tells the pace; the other is reported."""
    header = "host_time_ms,device_time_us,temperature"
    if not host_first:
        header = "device_time_us,host_time_ms,temperature"
    run = two_clocks(tmp_path, header, host_first)
    other = run.clock.other
    assert other["column"] == "host_time_ms"
    assert other["used_column"] == "device_time_us"
    # steps of the sum of two errors of 4 ms each: sqrt(2) x 4 ms; less, as none goes backwards
    assert 3_000_000 < other["jitter_ns"] < 6_000_000
    assert 80_000 < other["used_jitter_ns"] < 120_000
    assert run.clock.unit == "us"
    assert run.signals is not None
    assert list(run.signals.values) == ["temperature"]


def test_skew_between_two_clocks(tmp_path):
    """A host clock that runs 40 ppm fast is told to do so."""
    device = np.arange(500) * 20_000_000
    host = device * (1 + 40e-6)
    rows = [(f"{h / 1e6:.4f}", f"{d // 1000}", 1) for h, d in zip(host, device, strict=True)]
    run = looptime.read(write(tmp_path, "host_time_ms,device_time_us,x", rows))
    assert run.clock.other["column"] == "host_time_ms"
    assert run.clock.other["skew_ppm"]["value"] == pytest.approx(40, abs=0.1)


def test_skew_behind_a_restless_clock(tmp_path):
    """Two minutes of stamps that scatter by 4 ms carry a skew of 50 ppm to a few ppm."""
    device = 20_000 * np.arange(6000)
    host = np.round(device * (1 + 50e-6) + RNG.normal(0, 4_000, 6000)) + 10**6
    rows = [(f"{h:.0f}", d, 1) for h, d in zip(np.maximum.accumulate(host), device, strict=True)]
    run = looptime.read(write(tmp_path, "host_time_us,device_time_us,x", rows))
    # standard error of a least-squares slope: 4 ms sqrt(12 / 6000) / 120 s = 1.5 ppm
    skew = run.clock.other["skew_ppm"]
    assert skew["value"] == pytest.approx(50, abs=6)
    assert skew["high"] - skew["low"] == pytest.approx(2 * 1.96 * 1.5, rel=0.1)
    assert skew["low"] < 50 < skew["high"]


def test_interval_of_a_skew_holds_it():
    """Of 400 recordings of a clock 30 ppm fast about 95 in 100 intervals hold the 30."""
    heads_ = tuple(heads(("board_us", "host_us")))
    board = 20_000_000 * np.arange(300)
    held = 0
    for seed in range(400):
        noise = np.random.default_rng(seed).normal(0, 500_000, 300)
        host = np.rint(board * (1 + 30e-6) + noise).astype(np.int64)
        found = choose_clock(board, host, heads_)
        skew = found.other["skew_ppm"]
        held += skew["low"] <= 30 <= skew["high"]
    assert 365 <= held <= 395


def two_times(t, rng):
    """The same instants [s] by a restless host 50 ppm fast, and by the board [us]."""
    return f"{t * 1.00005 + 3 + 0.0015 * abs(rng.standard_normal()):.6f},{t * 1e6:.0f}"


@pytest.mark.parametrize("layout", ["calls", "edges", "costs", "stages"])
def test_the_steadier_clock_in_every_layout(tmp_path, layout):
    """Periods are those of the board whose clock is steady, wherever a row has two clocks."""
    rng = np.random.default_rng(8)
    times = np.cumsum(0.02 + 0.001 * rng.standard_normal(400))
    head = {"calls": "name,duration_us", "edges": "name,edge", "costs": "gyro_ms,drive_ms",
            "stages": "after_gyro_us,after_drive_us"}[layout]  # fmt: skip
    rows = []
    for t in times:
        both = two_times(t, rng)
        if layout == "costs":
            rows.append(f"{both},1.5,6.25")
        elif layout == "stages":
            rows.append(f"{both},{(t + 0.0015) * 1e6:.0f},{(t + 0.0078) * 1e6:.0f}")
        elif layout == "calls":
            rows += [f"{both},gyro.read,1500", f"{two_times(t + 0.005, rng)},drive.write,6250"]
        else:
            for late, name in ((0.0, "gyro.read"), (0.005, "drive.write")):
                rows.append(f"{two_times(t + late, rng)},{name},begin")
                rows.append(f"{two_times(t + late + 0.003, rng)},{name},end")
    own = "start_us" if layout == "stages" else "board_time_us"
    path = tmp_path / "log.csv"
    path.write_text(f"timestamp_s,{own},{head}\n" + "\n".join(rows) + "\n", encoding="utf-8")
    run = looptime.read(path)
    assert run.layout == layout
    want = np.diff(np.rint(times * 1e6)) * 1000
    assert np.abs(run.loop_columns.period_ns[:399] - want).max() <= 1000
    assert (run.clock.other["column"], run.clock.other["used_column"]) == ("timestamp_s", own)
    skew = run.clock.other["skew_ppm"]
    assert skew["low"] - 10 < 50 < skew["high"] + 10


def test_an_end_stamp_is_no_second_clock(tmp_path):
    """A column that tells when a call was over must not pass for its start on another clock."""
    rng = np.random.default_rng(9)
    rows = []
    for k in range(200):
        for late, name in ((0, "gyro.read"), (8, "drive.write")):
            start, took = 20 * k + late, 2 + 3 * rng.random()
            rows.append(f"{start},{(start + took) * 1000:.1f},{name},{took * 1000:.1f}")
    path = tmp_path / "log.csv"
    path.write_text("start_ms,logged_time_us,name,duration_us\n" + "\n".join(rows) + "\n",
                    encoding="utf-8")  # fmt: skip
    run = looptime.read(path)
    assert run.clock.other is None
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}


@pytest.mark.parametrize(
    ("median_ns", "refused"),
    [(3_000, True), (6_000, False), (19_000_000_000, False), (21_000_000_000, True), (0, False)],
)
def test_a_header_is_believed_a_little_beyond_what_a_loop_can_last(median_ns, refused):
    """From a quarter of 20 us to four times 5 s."""
    said = Unit("us", 1000, "header")
    if refused:
        with pytest.raises(LogError, match="say which with --unit"):
            check_periods(median_ns, said, "a.csv")
    else:
        check_periods(median_ns, said, "a.csv")
    check_periods(median_ns, Unit("us", 1000, "option"), "a.csv")


@pytest.mark.parametrize(
    ("steps", "tick"),
    [([20_000, 20_000, 40_000], 1_000), ([20_000, 30_000, 40_000, 70_000], 10_000)],
)
def test_steps_of_two_sizes_say_nothing_of_the_clock(steps, tick):
    """A loop that skips slots has round steps on a fine clock; three sizes show the tick."""
    times = np.cumsum([0, *steps * 5]).astype(np.int64)
    assert tick_of(times, 1_000) == tick


@pytest.mark.parametrize(("start", "unit"), [(1_750_000_000.0, "s"), (250_000_000.0, None)])
def test_counts_since_1970_are_of_this_century(start, unit):
    """1.75e9 s is a day in 2025, 2.5e8 s would be one in 1977: some other counter."""
    values = start + 0.02 * np.arange(50)
    found = _since_1970(values, np.diff(values))
    assert (None if found is None else found.name) == unit


def test_a_sixteen_bit_counter_is_told_at_any_step():
    """Steps of about half the range: taken modulo half of it they would fall apart."""
    rng = np.random.default_rng(3)
    count = np.cumsum(rng.integers(32_000, 33_600, 400))
    assert in_16_bits((count % 2**16).astype(float))
    assert not in_16_bits(rng.uniform(0, 65_000, 400))


def test_a_wrap_within_a_row_is_undone_and_a_small_step_back_is_not():
    """The second instant of a loop lies beyond the wrap; that of another is a little early."""
    found = Wrapped(np.array([0, 1]), np.array([900, 1500]), 1000, 600.0, [])
    assert found.undone(np.array([20, 480])).tolist() == [1020, 1480]


def test_the_option_outranks_the_project_file(tmp_path):
    """A unit asked for on the spot holds against the one that the project states."""
    path = write(tmp_path, "time,heading_deg", [(k * 10_000, k) for k in range(5)])
    stated = Project(log=LogOptions(unit="ms"))
    asked = looptime.read(path, project=stated, unit="us")
    assert (asked.clock.unit, asked.clock.unit_from) == ("us", "option")
    assert asked.loop_columns.period_ns.tolist() == [10_000_000] * 4
    plain = looptime.read(path, project=Project(log=LogOptions(unit="us")))
    assert (plain.clock.unit, plain.clock.unit_from) == ("us", "project")


def test_seconds_or_milliseconds_are_asked_where_both_are_loops(tmp_path):
    """Steps of 0.5 are 1,961 loops a second or 1.96: the caller says which."""
    times = [k * 0.5 + k % 3 * 0.01 for k in range(40)]
    with pytest.raises(LogError, match=r"1961 a second.*--unit ms or --unit s"):
        stamps(tmp_path, times)
    assert stamps(tmp_path, times, unit="s").clock.unit == "s"
