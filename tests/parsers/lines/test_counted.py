"""Counters of cycles and ticks."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.lines.counted import without_wraps
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, PERIODS, ROWS


def log(hz, remark, since=0, wrap=None):
    """The three loops as counts of a counter of so many Hz."""
    rows = "".join(
        f"{(since + t * hz // 1000) % (wrap or 10**20)},{imu * hz // 1000},{drive * hz // 1000}\n"
        for t, imu, drive in ROWS
    )
    return f"{remark}start_cycles,imu_cycles,drive_cycles\n{rows}"


@pytest.mark.parametrize(
    ("hz", "remark"),
    [(480_000_000, "# CPU frequency: 480 MHz\n"), (168_000_000, "# f_cpu_hz: 168000000\n"),
     (10_000_000, "# tick_ns: 100\n"), (1_000_000, "# the timer runs at 1e3 kHz\n")],
)  # fmt: skip
def test_counts_with_a_rate_in_a_comment(tmp_path, hz, remark):
    """Periods and costs are counts over the rate that a line of the log states."""
    run = read(tmp_path, log(hz, remark))
    assert periods_ms(run) == pytest.approx(PERIODS, abs=1e-5)
    assert self_ms(run) == {name: pytest.approx(ms, abs=1e-5) for name, ms in COSTS.items()}


def test_a_counter_of_32_bits_wraps(tmp_path):
    """At 480 MHz it wraps every 9 s; the second loop spans the wrap."""
    since = 2**32 - 130 * 480_000
    run = read(tmp_path, log(480_000_000, "# 480 MHz\n", since, 2**32))
    assert periods_ms(run) == pytest.approx(PERIODS, abs=1e-5)


def test_dates_as_counts_of_100_ns(tmp_path):
    """Counts since the year 1 can be nothing else: they need no rate."""
    rows = "".join(f"{639_000_000_000_000_000 + t * 10_000},{imu}\n" for t, imu, _ in ROWS)
    assert periods_ms(read(tmp_path, "ticks,imu_ms\n" + rows)) == PERIODS


def test_counts_of_unknown_length_are_refused(tmp_path):
    """Nobody says how fast the counter counts: the error says where to say it."""
    with pytest.raises(LogError, match="nobody says how fast: name the rate in a line at the top"):
        read(tmp_path, log(168_000_000, ""))


@pytest.mark.parametrize("above", [
    "F_TICK=250000 Hz", "# counter: 250 kHz", "# ticks of 4 us", "timer clock 250kHz",
])  # fmt: skip
def test_calls_in_counts_whose_length_a_line_above_the_header_tells(tmp_path, above):
    """Starts and ends are counts of 4 us each, whatever plausible loop the bare numbers make."""
    took = np.array([300, 450, 700]) + np.arange(80)[:, None] % 7
    end = np.cumsum(took.ravel()).reshape(took.shape)
    rows = [f"{n},{e - d},{e}" for k in range(80)
            for n, e, d in zip(("imu", "arm", "drive"), end[k], took[k], strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join([above, "name,start,stop", *rows]))
    assert run.loop_columns.period_ns.tolist() == (4000 * took.sum(axis=1))[:-1].tolist()


@pytest.mark.parametrize(
    ("remark", "hz"),
    [("# cycles @ 168 MHz", 168e6), ("# all values in ticks of 0.5 us", 2e6),
     ("# timer runs at 2 MHz, all columns are timer counts", 2e6)],
)  # fmt: skip
def test_lengths_in_counts_without_a_clock(tmp_path, remark, hz):
    """Parts of 3 and 2.5 ms and loops of 10 ms; a voltage beside them is no length."""
    draw = np.random.default_rng(5)
    imu, enc = draw.normal(3, 0.1, 200), draw.normal(2.5, 0.1, 200)
    whole = draw.normal(10, 0.02, 200)
    rows = [f"{k},{a * hz / 1e3:.0f},{b * hz / 1e3:.0f},{w * hz / 1e3:.0f},{12.4 - k / 900:.2f}"
            for k, (a, b, w) in enumerate(zip(imu, enc, whole, strict=True))]  # fmt: skip
    run = read(tmp_path, "\n".join([remark, "loop,imu,enc,total,volts", *rows]))
    assert np.median(periods_ms(run)) == pytest.approx(np.median(whole), abs=0.002)
    found = {name: np.mean(ms) for name, ms in self_ms(run).items()}
    assert found == pytest.approx({"imu": imu.mean(), "enc": enc.mean()}, abs=0.002)
    assert "volts" not in {name.name for name in run.names}


@pytest.mark.parametrize("remark", ["# CPU 84 MHz, cycle time of the loop 20 ms", "# 50 Hz cycle"])
def test_lengths_beside_a_rate_that_is_none_of_counts(tmp_path, remark):
    """Lengths in us of loops of 20 ms stay so, though the line says "cycle"."""
    rows = [f"{4000 + k % 7},{7000 + k % 5},{20_000 + k % 3}" for k in range(200)]
    run = read(tmp_path, "\n".join([remark, "imu,arm,total", *rows]), unit="us")
    same = read(tmp_path, "\n".join([remark, "imu,arm,total", *rows]))
    assert np.median(periods_ms(run)) == np.median(periods_ms(same)) == pytest.approx(20.001)


def test_numbers_beyond_any_counter_are_none():
    """No counter has more than 64 bits: such values are garbled, and nothing overflows."""
    assert without_wraps(np.array([0.0, 1.0, 2.0, 1e30])) is None
    assert without_wraps(np.array([0.0, 1.0, 2.0, 2.0**62])).tolist() == [0.0, 1.0, 2.0, 2.0**62]


@pytest.mark.parametrize(
    ("remark", "head", "hz"),
    [("tick rate 84 MHz", "", 84e6), ("# counts at 84 MHz", "", 84e6),
     ("timer clock: 168000000 Hz", "start,gyro,drive", 168e6),
     ("# tick rate 1000 Hz", "tick_count,gyro_ticks,drive_ticks", 1e3),
     ("# clock: 10 kHz", "cycle_count,gyro_cycles,drive_cycles", 1e4)],
)  # fmt: skip
def test_a_clock_that_counts_at_a_stated_rate_needs_no_header(tmp_path, remark, head, hz):
    """Reading of 3 ms and driving of 7 in loops of 20 on average: as the line above says."""
    draw = np.random.default_rng(6)
    gyro, drive = draw.normal(3, 0.3, 300), draw.normal(7, 0.8, 300)
    start = np.concatenate([[0.0], np.cumsum(gyro + drive + 10)[:-1]])
    rows = [f"{t * hz / 1e3:.0f},{g * hz / 1e3:.0f},{d * hz / 1e3:.0f}"
            for t, g, d in zip(start, gyro, drive, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join(filter(None, [remark, head, *rows])))
    assert np.mean(periods_ms(run)) == pytest.approx(20, abs=0.1)
    assert sorted(np.mean(ms) for ms in self_ms(run).values()) == pytest.approx([3, 7], abs=0.1)


def test_a_clock_that_could_not_count_so_stays_in_its_unit(tmp_path):
    """A timer of 2 kHz is none that counts 20 000 a loop: these are microseconds."""
    rows = [f"{20_000 * k + 37 * (k % 5)},{3000 + k % 7}" for k in range(100)]
    text = "\n".join(["# timer at 2 kHz", "t,gyro_count", *rows])
    assert np.median(periods_ms(read(tmp_path, text))) == pytest.approx(20, abs=0.1)


@pytest.mark.parametrize(
    ("above", "count"),
    [("loop timer 50 Hz, tray carrier", "{:.0f}"), ("timer interrupt 100 Hz", "{:.0f}"),
     ("watchdog timer 10 Hz, imu at 200 Hz", "{:.0f}"), ("loop timer 50 Hz", "{:.1f}"),
     ("# loop timer: 50 Hz\nt,imu,bus", "{:.0f}"), ("# timer at 2 kHz\nt,imu,bus", "{:.0f}000")],
)  # fmt: skip
def test_a_rate_of_something_else_counts_no_clock(tmp_path, above, count):
    """Loops of 18 to 24 ms in ms, or in us: no timer of such a rate counts so far in one."""
    draw = np.random.default_rng(3)
    imu, bus = draw.integers(5, 9, 200), draw.integers(2, 5, 200)
    period = imu + bus + 11
    start = np.cumsum(period) - period
    rows = [",".join(count.format(n) for n in row) for row in zip(start, imu, bus, strict=True)]
    run = read(tmp_path, "\n".join([above, *rows]))
    assert np.mean(periods_ms(run)) == pytest.approx(np.mean(period), abs=0.2)


K = np.arange(300)
START_MS = np.cumsum(6 + (K * 7919 % 13) / 13)
IMU_MS = 1 + (K * 31 % 17) / 40


@pytest.mark.parametrize(
    ("clock", "scale"),
    [("ms", 1), ("us", 1000), ("seconds", 1e-3), ("millis", 1), ("time", 1), ("Zeit", 1)],
)
@pytest.mark.parametrize("counts", ["counts", "wheel_ticks", "enc_counts"])
@pytest.mark.parametrize("remark", ["", "# processor at 84 MHz\n"])
def test_an_encoder_beside_a_clock_needs_no_rate(tmp_path, clock, scale, counts, remark):
    """It counts otherwise than the clock goes on: it is no clock, at no rate that a line states."""
    rows = zip(scale * START_MS, IMU_MS, np.cumsum(3 + K * 7 % 6), strict=True)
    text = f"{remark}{clock},imu_ms,{counts}\n" + "".join(
        f"{a:.6f},{b:.3f},{c}\n" for a, b, c in rows
    )
    path = tmp_path / "log.csv"
    path.write_text(text, "utf-8")
    run = looptime.read(str(path))
    assert [call.name for call in run.names] == ["imu"]
    assert np.median(run.loop_columns.period_ns) / 1e6 == pytest.approx(
        np.median(np.diff(START_MS)), rel=1e-3
    )
    assert run.clock.other is None
    assert not any("brought to ns" in note for note in run.clock.notes)


def test_a_counter_that_keeps_time_with_a_clock_is_one(tmp_path):
    """Counts of 84 MHz beside milliseconds: as many as the clock's steps say."""
    rows = zip(START_MS, np.rint(84_000 * START_MS).astype(int), IMU_MS, strict=True)
    path = tmp_path / "log.csv"
    path.write_text("# timer at 84 MHz\nms,counts,imu_ms\n"
                    + "".join(f"{a:.3f},{c},{b:.3f}\n" for a, c, b in rows), "utf-8")  # fmt: skip
    run = looptime.read(str(path))
    assert any("brought to ns: 84 MHz" in note for note in run.clock.notes)


@pytest.mark.parametrize("said", ["tick = 0 us", "1 tick = 0.0 us", "clock 0 MHz", "tick_ns: 0"])
def test_a_count_of_no_length_states_nothing(tmp_path, said):
    """The counts stay without a unit."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{5000 * k},{2500 + k % 3}\n" for k in range(60))
    path.write_text(f"# {said}\ntick,gyro\n{rows}", "utf-8")
    with pytest.raises(LogError, match="no layout fits"):
        looptime.read(str(path))
