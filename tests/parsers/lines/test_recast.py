"""Columns that hold times in another form."""

import numpy as np
import pytest

from looptime.errors import LooptimeError
from tests.parsers.build import periods_ms, read, self_ms, self_times
from tests.parsers.lines.build import COSTS, PERIODS, ROWS

# twelve loops of 20 or 30 ms [ms]: end of each, its length, and the parts in it
LENGTHS = [20, 30, 20, 20, 30, 20, 20, 20, 30, 20, 20, 20]
ENDS = [100 + sum(LENGTHS[: k + 1]) for k in range(len(LENGTHS))]


def table(header, row):
    """A table of the twelve loops; `row` is given number, end and length."""
    rows = "".join(row(k, t, p) + "\n" for k, (t, p) in enumerate(zip(ENDS, LENGTHS, strict=True)))
    return f"{header}\n{rows}"


def test_minutes(tmp_path):
    """A thousandth of a minute is 60 ms."""
    rows = "".join(f"{t / 60_000:.9f},{imu},{drive}\n" for t, imu, drive in ROWS)
    run = read(tmp_path, "time_min,imu_ms,drive_ms\n" + rows)
    assert periods_ms(run) == pytest.approx(PERIODS, abs=1e-4)
    assert self_ms(run) == COSTS


def test_a_clock_that_counts_down(tmp_path):
    """What is left of a round falls by a loop's length from row to row."""
    text = table("time_left_s,imu_ms", lambda k, t, p: f"{150 - t / 1000:.3f},2")
    run = read(tmp_path, text)
    assert periods_ms(run) == LENGTHS[1:]
    assert any("counts down" in note for note in run.clock.notes)


def test_a_falling_signal_is_no_clock(tmp_path):
    """A battery's voltage beside a clock stays a signal."""
    text = table("time_ms,time_left_pct", lambda k, t, p: f"{t},{90 - k}")
    assert periods_ms(read(tmp_path, text)) == LENGTHS[1:]


@pytest.mark.parametrize("name", ["fps", "loop_hz", "Rate [Hz]"])
def test_a_rate_that_varies_is_one_over_the_period(tmp_path, name):
    """50 a second is 20 ms; a log of rates says that averages flatten."""
    text = table(f"{name},imu_ms", lambda k, t, p: f"{1000 / (p + 0.01 * k):.9f},2")
    run = read(tmp_path, text)
    wanted = [p + 0.01 * k for k, p in enumerate(LENGTHS)]
    assert periods_ms(run) == pytest.approx(wanted, abs=1e-5)
    assert any("flattened" in note for note in run.clock.notes)


def test_a_rate_beside_a_clock_is_a_signal(tmp_path):
    """The clock tells the pace, whatever a rate beside it says."""
    text = table("time_ms,fps", lambda k, t, p: f"{t},{30 + k}")
    assert periods_ms(read(tmp_path, text)) == LENGTHS[1:]


def test_shares_of_the_loop_are_lengths(tmp_path):
    """A tenth of 20 ms is 2 ms, of 30 ms 3 ms, by the loop's length or by the clock's step."""
    shares = "{},10,30,60"
    by_length = read(tmp_path, table(
        "loop_ms,imu_pct,drive_pct,idle_pct", lambda k, t, p: shares.format(p)))  # fmt: skip
    assert self_ms(by_length)["imu"] == pytest.approx([p / 10 for p in LENGTHS])
    by_clock = read(tmp_path, table(
        "time_ms,imu %,drive %,idle %", lambda k, t, p: shares.format(t)))  # fmt: skip
    assert self_ms(by_clock)["drive"] == pytest.approx([0.3 * p for p in LENGTHS[1:]])


def test_percentages_that_make_no_whole_are_signals(tmp_path):
    """Two duties of motors need not add up to the loop."""
    text = table("time_ms,left_pct,right_pct", lambda k, t, p: f"{t},{10 + k},{3 * k}")
    run = read(tmp_path, text)
    assert not len(run.names)


def test_sums_are_read_by_what_each_row_adds(tmp_path):
    """Each row adds a tenth and a fifth of its loop; a sum that begins anew adds what it holds."""
    text, sums = "time_ms,imu_total_ms,drive_total_ms\n", [0.0, 0.0]
    for k, (t, p) in enumerate(zip(ENDS, LENGTHS, strict=True)):
        sums = [0.0 if k == 7 else one for one in sums]
        sums = [sums[0] + p / 10, sums[1] + p / 5]
        text += f"{t},{sums[0]:.1f},{sums[1]:.1f}\n"
    run = read(tmp_path, text, stamped="end")
    assert self_ms(run)["imu"] == pytest.approx([p / 10 for p in LENGTHS[1:]])
    assert self_ms(run)["drive"] == pytest.approx([p / 5 for p in LENGTHS[1:]])


def test_instants_of_a_loop_are_no_sums(tmp_path):
    """Instants rise as fast as the clock: they stay what they are."""
    text = table("loop_start_ms,after_imu_ms,after_drive_ms",
                 lambda k, t, p: f"{t},{t + 2},{t + 9}")  # fmt: skip
    assert periods_ms(read(tmp_path, text)) == LENGTHS[1:]


def test_sums_beside_a_clock_that_is_called_no_stamp(tmp_path):
    """What gains most is the clock where no header is a stamp's; a counter of loops is none."""
    sums, text = [0.0, 0.0], "loops,runtime_ms,imu_total_ms,drive_total_ms\n"
    for k, (t, p) in enumerate(zip(ENDS, LENGTHS, strict=True)):
        sums = [sums[0] + p / 10, sums[1] + p / 5]
        text += f"{k},{t},{sums[0]:.1f},{sums[1]:.1f}\n"
    run = read(tmp_path, text, stamped="end")
    assert periods_ms(run) == LENGTHS[1:]
    assert self_ms(run)["drive"] == pytest.approx([p / 5 for p in LENGTHS[1:]])


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("remark", ["# timer_hz: 2000000", "# the timer runs at 2 MHz"])
def test_counts_under_any_header_by_a_stated_rate(tmp_path, bits, remark):
    """A counter that wraps, at 2 MHz: a count is 500 ns, and so is one of the parts beside it."""
    draw = np.random.default_rng(5)
    gyro, drive = draw.integers(2000, 2600, 400), draw.integers(7000, 9000, 400)
    steps = gyro + drive + 300
    counter = (2**bits - 60_000 + np.concatenate([[0], np.cumsum(steps)[:-1]])) % 2**bits
    rows = zip(counter, gyro, drive, draw.integers(0, 9, 400), strict=True)
    text = f"{remark}\ncnt,adc,mot,tray\n" + "".join(f"{a},{b},{c},{d}\n" for a, b, c, d in rows)
    run = read(tmp_path, text)
    assert run.loop_columns.period_ns[:399].tolist() == (steps[:399] * 500).tolist()
    assert self_times(run, 500)["adc"] == gyro[:399].tolist()
    assert [name.name for name in run.names] == ["adc", "mot"]


def test_a_stated_rate_makes_no_counts_of_values(tmp_path):
    """A column that rises beside values that do not go with its steps is left alone."""
    text = "# sampled at 50 Hz\nn,heading,lift\n"
    text += "".join(f"{3 * k},{(37 * k) % 360},{(11 * k) % 17}\n" for k in range(200))
    with pytest.raises(LooptimeError):
        read(tmp_path, text)


@pytest.mark.parametrize("header", ["Ticks(100ns)", "ticks [100 ns]", "Zeit (0.1us)"])
def test_a_multiple_of_a_unit_holds_for_the_clock_and_what_goes_with_it(tmp_path, header):
    """Of 100 ns each: a step of 109,000 is 10.9 ms, lengths beside it are in these counts."""
    draw = np.random.default_rng(7)
    pose, move = draw.integers(20_000, 26_000, 200), draw.integers(60_000, 70_000, 200)
    steps = pose + move + 3000
    clock = 6_380_000_000 + np.concatenate([[0], np.cumsum(steps)[:-1]])
    rows = zip(clock, pose, move, 12 + draw.random(200), strict=True)
    text = f"{header}\tPose\tMove\tVolt\n" + "".join(
        f"{a}\t{b}\t{c}\t{d:.2f}\n" for a, b, c, d in rows
    )
    run = read(tmp_path, text)
    assert run.loop_columns.period_ns.tolist() == (100 * steps[:-1]).tolist()
    assert self_times(run, 100) == {"Pose": pose[:-1].tolist(), "Move": move[:-1].tolist()}


def test_a_clock_without_a_unit_beside_a_rate(tmp_path):
    """Steps of 0.0134 beside 74.6 a second are seconds; the rate stays a value beside them."""
    draw = np.random.default_rng(9)
    steps = 0.0134 * (1 + 0.05 * draw.normal(size=120))
    moment = 3.1 + np.concatenate([[0], np.cumsum(steps)])
    rows = zip(moment[1:], 1 / steps, 40 + draw.integers(0, 9, 120), strict=True)
    text = "moment,fps,cpu\n" + "".join(f"{a:.4f},{b:.1f},{c}\n" for a, b, c in rows)
    run = read(tmp_path, text)
    wanted = np.diff(np.round(moment[1:], 4)) * 1000
    assert periods_ms(run) == pytest.approx(wanted, abs=1e-4)
    assert not len(run.names)
    assert not any("whole" in limit for limit in run.clock.limits)


def test_a_counter_that_wraps_every_few_loops(tmp_path):
    """Called by its name, at a stated rate: 16 bits of 2 MHz hold four loops of 8 ms."""
    draw = np.random.default_rng(3)
    adc, pwm = draw.integers(3000, 3300, 300), draw.integers(11_000, 12_500, 300)
    steps = adc + pwm + 300
    counter = (31_000 + np.concatenate([[0], np.cumsum(steps)[:-1]])) % 2**16
    rows = "".join(f"{a},{b},{c}\n" for a, b, c in zip(counter, adc, pwm, strict=True))
    run = read(tmp_path, f"# counter_hz: 2000000\nstart_ticks,adc_ticks,pwm_ticks\n{rows}")
    assert run.loop_columns.period_ns.tolist() == (500 * steps[:-1]).tolist()
    assert self_times(run, 500)["pwm"] == pwm[:-1].tolist()


def test_instants_of_one_counter_whose_rate_a_comment_states(tmp_path):
    """Cycles of 72 MHz at three places of each loop, under bare names, through a wrap at 2**32."""
    draw = np.random.default_rng(3)
    first, second, rest = draw.integers(60_000, 90_000, (3, 400))
    begin = 2**32 - 9_000_000 + np.concatenate([[0], np.cumsum(first + second + rest)[:-1]])
    every = np.stack([begin, begin + first, begin + first + second], axis=1) % 2**32
    rows = "".join(f"{a},{b},{c}\n" for a, b, c in every.tolist())
    run = read(tmp_path, f"# core clock: 72 MHz, cycle counter\nentry,sense,drive\n{rows}")
    loops = np.diff(begin) / 72_000
    assert np.abs(np.array(periods_ms(run)) - loops).max() < 1e-4
    assert run.names[0].name == "entry to sense"


@pytest.mark.parametrize(
    ("remark", "header", "bits", "hz"),
    [
        ("# tcnt: 16 bit timer, 250 kHz", "n,tcnt,pos", 16, 250_000),
        ("# uhr is a 24-bit counter at 1 MHz", "n,uhr,weg", 24, 1_000_000),
        ("# timer: 2 MHz, 16 bit", "row,timer,travel", 16, 2_000_000),
    ],
)
def test_a_remark_that_names_the_column_which_counts(tmp_path, remark, header, bits, hz):
    """Its wraps are undone, and a position that climbs beside it stays a position."""
    rng = np.random.default_rng(4)
    step = rng.integers(int(0.009 * hz), int(0.011 * hz), 900)
    count = np.cumsum(np.append(2461, step))
    rows = [f"{k},{n % 2**bits},{4 * k + k % 3}" for k, n in enumerate(count)]
    run = read(tmp_path, "\n".join([remark, header, *rows]) + "\n")
    assert periods_ms(run) == pytest.approx((step * 1e3 / hz).tolist()[: len(run)])
    assert len(run) == 900


@pytest.mark.parametrize("stem", ["cyc_{}", "cycles {}", "{}_cyc"])
def test_stages_in_counts_of_a_rate_that_a_remark_states(tmp_path, stem):
    """Instants of one counter, whose wrap lies between two loops, are the stages of the loop."""
    names = ",".join(stem.format(word) for word in ("start", "adc_done", "i2c_done"))
    at, rows = 2**32 - 84_000 * 40, []
    for k in range(90):
        ends = (at, at + 84 * 350, at + 84 * (1750 + k % 7))
        rows.append(",".join(str(one % 2**32) for one in (k, *ends)))
        at += 84_000 * 4
    text = "\n".join(["# counters of the 84 MHz core clock, 32 bit", f"n,{names}", *rows])
    run = read(tmp_path, text + "\n")
    assert set(periods_ms(run)) == {4.0}
    found = self_ms(run)
    assert found["adc"][:2] == [0.35, 0.35]
    assert found["i2c"][:3] == pytest.approx([1.4, 1.401, 1.402])


def test_lengths_in_the_counts_of_the_counter_that_a_remark_names(tmp_path):
    """The steps grow one for one with them: they are lengths, and no signals beside a clock."""
    rng, at, rows = np.random.default_rng(9), 6000, []
    for _ in range(300):
        adc, gyr = int(rng.integers(1100, 1400)), int(rng.integers(7200, 8400))
        rows.append(f"{at % 2**16},{adc},{gyr}")
        at += adc + gyr + 3000
    text = [
        "# timer_hz: 2000000",
        "# cnt is the 16 bit timer, the rest are counts too",
        "cnt,adc,gyr",
    ]
    run = read(tmp_path, "\n".join([*text, *rows]) + "\n")
    assert [name.name for name in run.names] == ["adc", "gyr"]
    assert self_ms(run)["gyr"][0] == int(rows[0].split(",")[2]) / 2000


@pytest.mark.parametrize(
    ("remark", "count_us"),
    [
        ("# all times in ticks of 4 us", 4),
        ("# 1 count = 0.5 us", 0.5),
        ("# clock: 10 us per tick", 10),
    ],
)
def test_a_remark_that_says_how_long_a_count_is(tmp_path, remark, count_us):
    """Start and parts are multiples of it: nothing is taken for a unit by its size."""
    rng, t, rows, lengths = np.random.default_rng(8), 40, [], []
    for k in range(120):
        sense, move = (int(n / count_us) for n in rng.integers((1800, 3900), (2300, 5200)))
        rows.append(f"{k},{t},{sense},{move}")
        lengths.append((sense + move + 100) * count_us / 1e3)
        t += sense + move + 100
    run = read(tmp_path, "\n".join([remark, "n,start,sense,move", *rows]) + "\n")
    assert periods_ms(run) == pytest.approx(lengths[:119])
    assert [name.name for name in run.names] == ["sense", "move"]
    assert run.clock.limits == ()


@pytest.mark.parametrize(
    ("above", "mhz"),
    [("boot, core clock 72_000_000 Hz, 32 bit counter", 72), ("cpu clock 16'000'000 Hz", 16),
     ("INFO timer at 84 MHz, up", 84)],
)  # fmt: skip
def test_lines_in_counts_whose_rate_a_message_above_states(tmp_path, above, mhz):
    """Loops of 2 to 3 ms across a wrap, with two lengths in the same counts."""
    rng = np.random.default_rng(5)
    gyro, out = rng.uniform(0.8, 1.2, 300), rng.uniform(1.1, 1.7, 300)
    us = 1000 * (gyro + out + 0.02)
    at = 2**32 - 10_000_000 + np.concatenate([[0], np.cumsum(np.rint(us[:-1] * mhz))]).astype(int)
    count = 1000 * mhz
    rows = "".join(
        f"n {k} cycles {t % 2**32} gyro {g * count:.0f} out {o * count:.0f}\n"
        for k, (t, g, o) in enumerate(zip(at.tolist(), gyro, out, strict=True))
    )
    run = read(tmp_path, above + "\n" + rows)
    assert np.allclose(periods_ms(run), us[:299] / 1000, atol=1e-3)
    assert np.allclose(self_ms(run)["gyro"], gyro[:299], atol=1e-3)
    assert np.allclose(self_ms(run)["out"], out[:299], atol=1e-3)


@pytest.mark.filterwarnings("error")
def test_a_clock_of_which_no_reading_is_one_is_refused(tmp_path):
    """A time of day that there is not, in every row, and a number that counts in great steps."""
    rows = "".join(f"{k}e15,99:99:99.999,{90 + k / 10}\n" for k in range(20))
    with pytest.raises(LooptimeError, match="unreadable number"):
        read(tmp_path, "loop,time_us,heading\n" + rows)


def test_shares_of_the_loop_beside_other_percentages(tmp_path):
    """A charge in percent is no part of a loop where the parts say what they are of."""
    text = table("period (ms),imu (% of loop),drive (% of loop),charge (%),lift (%)",
                 lambda k, t, p: f"{p},{20 + k % 3},{50 - k % 4},96,{50 + k}")  # fmt: skip
    run = read(tmp_path, text)
    assert self_ms(run)["imu"] == pytest.approx([p * (20 + k % 3) / 100
                                                 for k, p in enumerate(LENGTHS)])  # fmt: skip
    assert set(self_ms(run)) == {"imu", "drive"}


@pytest.mark.parametrize(("said", "imu"), [("; all columns in ticks", True), ("", False)])
def test_a_line_says_that_all_columns_count(tmp_path, said, imu):
    """A read as long in each loop does not go with the steps of the clock: the line tells it."""
    rng = np.random.default_rng(7)
    steer = rng.integers(20_000, 24_000, 300)
    at = np.cumsum(np.append(4_206_971_578, 160_000 + steer)) % 2**32
    rows = [
        f"{t},{36_000 + k % 2},{s},400" for k, (t, s) in enumerate(zip(at, steer, strict=False))
    ]
    run = read(tmp_path, f"# timer of 16 MHz, 32 bit{said}\ntick,imu,steer,volts\n"
               + "\n".join(rows) + "\n")  # fmt: skip
    names = {call.name for call in run.names}
    assert (names == {"imu", "steer"}) == imu
    assert "volts" not in names
    if imu:
        assert self_ms(run)["imu"][:2] == pytest.approx([2.25, 36_001 / 16_000], abs=1e-5)
