"""Clocks that wrap among the first rows, by which columns are told."""

import numpy as np
import pytest

import looptime
from looptime.parsers.columns.wraps import goes_round, going_on
from looptime.parsers.columns_taken import columns_taken
from tests.parsers.build import periods_ms, read, self_ms

#: Loops of three calls with lengths that differ [us], each 30 us after the one before.
LOOPS = 200
K = np.arange(LOOPS)
TOOK = np.stack([900 + 7 * (K % 11), 1400 + 13 * (K % 7), 500 + 9000 * (K % 40 == 9)], axis=1)
START = np.concatenate([[0], np.cumsum(TOOK.ravel() + 30)[:-1]]).reshape(LOOPS, 3)
#: What the loops last [ms].
PERIODS = (np.diff(START[:, 0]) / 1000).tolist()


@pytest.mark.parametrize("head", ["us,fn,took", "us,name,took", "zegar_us;co;trwa_us"])
@pytest.mark.parametrize(
    ("bits", "before"), [(32, 5), (32, 300_000), (24, 200_000), (16, 9000), (16, 50_000)]
)
def test_calls_are_calls_also_where_their_clock_wraps(tmp_path, head, bits, before):
    """The counter reaches its end among the first rows, once or again and again."""
    sep = ";" if ";" in head else ","
    rows = [(str((at - before) % 2**bits), name, str(us)) for starts, took in
            zip(START.tolist(), TOOK.tolist(), strict=True)
            for at, name, us in zip(starts, ("imu", "enc", "ctl"), took, strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join([head, *map(sep.join, rows)]) + "\n")
    assert (run.layout, sorted(self_ms(run))) == ("calls", ["ctl", "enc", "imu"])
    assert periods_ms(run) == PERIODS
    assert self_ms(run)["enc"] == (TOOK[:-1, 1] / 1000).tolist()


@pytest.mark.parametrize("clock", ["x_us", "board_us", "us"])
@pytest.mark.parametrize("bits", [32, 16])
def test_a_row_a_loop_keeps_its_clock_where_it_wraps(tmp_path, clock, bits):
    """A header that names no clock: the one column that rises is one, across its wraps too."""
    rows = [f"{(at - 20_000) % 2**bits},{a},{b},{c}" for at, (a, b, c) in
            zip(START[:, 0].tolist(), TOOK.tolist(), strict=True)]  # fmt: skip
    run = read(tmp_path, "\n".join([f"{clock},imu_us,enc_us,ctl_us", *rows]) + "\n")
    assert periods_ms(run) == PERIODS
    assert self_ms(run)["imu_us"[:-3]] == (TOOK[:-1, 0] / 1000).tolist()


@pytest.mark.parametrize("values", [
    [60_000.0, 61_000, 62_000, 63_000, 40_000, 41_000],  # set anew, far from where it would be
    [10.0, 20, 30, 40, 0, 10],  # begun anew
    np.random.default_rng(3).uniform(0, 65_000, 50).tolist(),  # lengths
])  # fmt: skip
def test_what_falls_otherwise_stays_as_it_is(values):
    """A restart, a clock that was set and lengths in no order are no wraps."""
    assert going_on(np.array(values)).tolist() == values


def paced(tmp_path, head, size, period=20_000, each=1, before=3, count=900):
    """Loops of `period` us whose counter of `size` us is printed every `each` us; parts in us."""
    rng = np.random.default_rng(8)
    start = before + np.cumsum(period + rng.integers(-40, 41, count)) - period
    parts = np.stack([rng.integers(1100, 1300, count), rng.integers(6000, 6900, count)], axis=1)
    rows = [f"{v if each == 1 else v / each};{a};{b}" for v, (a, b) in
            zip((start % size).tolist(), parts.tolist(), strict=True)]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join([f"{head};gyro_us;drive_us", *rows]) + "\n", encoding="utf-8")
    return path, (np.diff(start) / 1000).tolist()


@pytest.mark.parametrize(("head", "size", "period", "each"), [
    ("ovf_us", 2**16, 20_000, 1), ("TCNT_us", 2**16, 20_000, 1), ("ovf_us", 2**16, 11_000, 1),
    ("ovf_ms", 2**16, 20_000, 1000), ("ovf_us", 2**20, 20_000, 1), ("ovf_us", 2**24, 20_000, 1),
])  # fmt: skip
def test_a_counter_that_wraps_every_few_loops_is_the_clock(tmp_path, head, size, period, each):
    """Whatever it is called: as a part it would take three quarters of a loop."""
    path, periods = paced(tmp_path, head, size, period, each)
    run = looptime.read(path)
    assert [name.name for name in run.names] == ["gyro", "drive"]
    assert periods_ms(run) == pytest.approx(periods)


@pytest.mark.parametrize("period", [40_000, 45_536, 70_000])
def test_a_counter_that_tells_two_lengths_of_a_loop_is_neither_clock_nor_part(tmp_path, period):
    """40 ms up is 25 ms down, and 70 ms is 4.5 ms once it has wrapped, shorter than the drive."""
    path, _ = paced(tmp_path, "ovf_us", 2**16, period)
    found = columns_taken(path).columns
    assert [one.taken_as for one in found] == ["signal", "part", "part"]


@pytest.mark.parametrize("head", ["encoder", "odo", "turret", "TCNT", "ovf"])
@pytest.mark.parametrize("bits", [12, 14, 16])
def test_what_turns_at_a_power_of_two_is_no_clock(tmp_path, head, bits):
    """A wheel that turns evenly, and a counter of which nobody says how fast it counts."""
    path, _ = paced(tmp_path, head, 2**bits, 0.3 * 2**bits // 1)
    assert [one.taken_as for one in columns_taken(path).columns] == ["signal", "part", "part"]


_DEVICES = [(20.0, 1000 / 59.94), (25.0, 1000 / 59.94), (20.0, 16.7), (100.0, 65.1)]


@pytest.mark.parametrize(("period", "device", "clock", "logged"), [
    *(one + how for one in _DEVICES for how in ((True, False), (True, True), (False, True))),
    (100.0, 65.536, True, False), (100.0, 65.536, True, True),
])  # fmt: skip
def test_a_wait_for_a_device_is_a_part(tmp_path, period, device, clock, logged):
    """It goes round at the device's period, and falls by what the clock goes on by.

    Without a clock nothing tells one of 65.536 ms from a counter of microseconds.
    """
    rng = np.random.default_rng(4)
    at = period * np.arange(900) + rng.uniform(0, 0.1, 900)
    work = rng.uniform([0.2, 0.9], [0.3, 1.1], (900, 2))
    wait = -(at + work.sum(axis=1)) % device
    left = period - work.sum(axis=1) - wait
    columns = {"t_ms": at, "gyro_ms": work[:, 0], "drive_ms": work[:, 1], "eye_ms": wait}
    columns |= {"rest_ms": left} if logged else {}
    if not clock:
        del columns["t_ms"]
    path = tmp_path / "log.csv"
    rows = [",".join(f"{v:.3f}" for v in row) for row in zip(*columns.values(), strict=True)]
    path.write_text("\n".join([",".join(columns), *rows]) + "\n", encoding="utf-8")
    found = {one.name: one.taken_as for one in columns_taken(path).columns}
    assert found["eye_ms"] == "part"


def test_a_counter_beside_a_clock_that_it_keeps_to_is_no_part(tmp_path):
    """Of 16 bits, by a processor that counts on its own."""
    rng = np.random.default_rng(4)
    at = 3_000_000 + np.cumsum(rng.integers(19_900, 20_100, 600))
    took = rng.integers([800, 3000], [900, 3400], (600, 2))
    rows = [f"{t / 1000:.0f},{(t + 777) % 2**16},{a},{b}"
            for t, (a, b) in zip(at, took, strict=True)]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["t_ms,chip_us,gyro_us,drive_us", *rows]) + "\n", encoding="utf-8")
    assert [one.taken_as for one in columns_taken(path).columns] == [
        "clock", "signal", "part", "part"]  # fmt: skip


@pytest.mark.parametrize("unit_ns", [1e3, 1e6])
@pytest.mark.parametrize("values", [
    20_000.0 * (np.arange(300) % 4),  # three devices in turn, and none
    np.random.default_rng(3).uniform(0, 65_000, 300),
    (np.arange(300) * 20_000.0) % 33_333,  # the age of a frame, read every 20 ms
    np.arange(300) * 200.0,  # it does not wrap
    np.where(np.arange(300) % 2, 5000.0, 61_000.0),
    (np.arange(300) * 20_000.0) % 65_100,  # a little short of 2**16
])  # fmt: skip
def test_lengths_do_not_go_round_as_a_counter(values, unit_ns):
    """In turn, at random, beating at no power of two, rising, and up and down."""
    assert goes_round(values, unit_ns) is None
