"""Clocks that move more coarsely than they print: loops rounded down, and floats of 32 bits."""

import struct

import numpy as np
import pytest

from looptime.parsers.clock.stepping import Grid, binary_grid, standstill, stepping
from tests.parsers.build import read

MS = 1_000_000


@pytest.mark.parametrize(("loop_us", "step_us"), [(4000, 15_625), (2100, 10_000), (66_000, 10**6)])
def test_rows_that_share_a_stamp(loop_us, step_us):
    """Rounded to whole steps and printed in milliseconds, the step is found to a thousandth."""
    time = np.arange(3000) * loop_us // step_us * step_us // 1000 * MS
    found = stepping(time, MS)
    assert found.step_ns == pytest.approx(step_us * 1000, rel=1e-3)
    assert found.shared == pytest.approx(1 - loop_us / step_us, abs=0.01)


def test_even_turns_are_those_of_the_clock():
    """A loop of 7.5 ms on a clock of 5 ms shows steps of 5 and of 10 ms in even turns."""
    found = stepping(np.arange(500) * 7_500_000 // (5 * MS) * 5 * MS, MS)
    assert (found.step_ns, found.turns) == (5 * MS, (5 * MS, 10 * MS))


def test_missed_turns_of_a_paced_loop_are_no_steps_of_the_clock():
    """A loop that now and then takes two slots strays from a straight line: it is the loop."""
    draw = np.random.default_rng(3)
    assert stepping(np.cumsum(np.where(draw.random(500) < 0.3, 20, 10)) * MS, MS).step_ns == 0


def test_fine_clocks_and_short_logs_say_nothing():
    """Steps of many lengths, or too few of them, tell of no coarser step."""
    draw = np.random.default_rng(3)
    assert stepping(np.cumsum(draw.integers(9 * MS, 12 * MS, 300)), 1).step_ns == 0
    assert stepping(np.arange(10) // 3 * 15 * MS, MS).step_ns == 0


def test_what_a_log_says_of_its_clock(tmp_path):
    """The step is the clock's tick, and the share of rows that share a stamp is told."""
    rows = "".join(f"{k * 4 // 16 * 16},{k % 7}\n" for k in range(400))
    run = read(tmp_path, "time_ms,heading\n" + rows)
    assert run.clock.tick_ns == 16 * MS
    assert any("75 % of the rows have the stamp" in note for note in run.clock.notes)


@pytest.mark.parametrize("rows_a_tick", [1, 3, 40])
def test_a_clock_that_stood_is_told_from_one_that_steps(rows_a_tick):
    """Rows of one tick are no standstill, however many; ten and more times as many are one."""
    time = np.arange(3000) // rows_a_tick * MS
    assert not standstill(time).any()
    stood = np.insert(time, 1000, np.full(50 * rows_a_tick, time[1000]))
    found = np.flatnonzero(standstill(stood))
    assert 50 * rows_a_tick <= len(found) < 52 * rows_a_tick


S, US = 10**9, 1000


def kept(value):
    """A number after it was stored in four bytes."""
    return struct.unpack("<f", struct.pack("<f", value))[0]


def uneven(first_s, count=300, seed=5):
    """Instants of uneven loops of about 6 ms [s]."""
    return first_s + np.cumsum(np.random.default_rng(seed).gamma(60, 0.0001, count))


def shortest(value):
    """The shortest number that gives a float of 32 bits back."""
    return str(np.float32(value))


#: 24 binary digits: 2**(e - 23) s from 2**e s on.
STEPS = {100: 2**-17, 300: 2**-15, 1500: 2**-13, 9000: 2**-10, 40_000: 2**-8}


@pytest.mark.parametrize("first_s", STEPS)
@pytest.mark.parametrize("printed", ["{:.9f}", "{:.6f}", "{:.9g}"])
def test_step_of_seconds_in_four_bytes(first_s, printed):
    """It doubles with each doubling of the time, however many digits are printed."""
    times = [round(float(printed.format(kept(t))) * S) for t in uneven(first_s)]
    assert binary_grid(np.array(times), S) == Grid(STEPS[first_s] * S, True)


@pytest.mark.parametrize("first_s", [100, 300, 9000])
def test_shortest_digits(first_s):
    """A number as short as gives the float back may lie half a step off the grid."""
    times = [round(float(shortest(t)) * S) for t in uneven(first_s)]
    assert binary_grid(np.array(times), S) == Grid(STEPS[first_s] * S, True)


def test_other_units_and_the_end_of_a_long_log():
    """Milliseconds and microseconds have grids of their own; the last power of two counts."""
    ms = [round(kept(1000 * t) * MS) for t in uneven(1000)]
    assert binary_grid(np.array(ms), MS) == Grid(2**-4 * MS, True)  # 10^6 > 2^19
    us = [int(kept(1e6 * t)) * US for t in uneven(1000)]
    assert binary_grid(np.array(us), US) == Grid(2**6 * US, True)  # 10^9 > 2^29
    long = [round(kept(t) * S) for t in np.cumsum(np.full(3000, 0.2001))]  # up to 600 s
    assert binary_grid(np.array(long), S) == Grid(2**-14 * S, True)


def test_counter_of_a_watch_crystal():
    """Whole counts of 1/32768 s are on that grid, and no floats of 32 bits so early."""
    counts = np.floor(uneven(10) * 32_768)
    found = binary_grid(np.rint(counts / 32_768 * S).astype(np.int64), S)
    assert found == Grid(S / 32_768, False)
    assert found.said == ""


@pytest.mark.parametrize("digits", [3, 4, 5, 6, 9])
@pytest.mark.parametrize("first_s", [0, 300, 9000, 70_000, 200_000])
def test_decimals_are_no_binary_grid(digits, first_s):
    """Instants in 64 bits, printed with any number of decimals."""
    times = np.round(uneven(first_s), digits)
    assert binary_grid(np.rint(times * S).astype(np.int64), S) is None


@pytest.mark.parametrize("lengths_us", [[15_625], [10_000, 14_000], [10_000, 12_000, 14_000]])
def test_even_loops_are_no_grid(lengths_us):
    """Loops of 1/64 s, or of a few even lengths, show their own periods, not the clock's step."""
    at = np.cumsum(np.resize(lengths_us, 300)) * US + 2**17 * S
    assert all(binary_grid(at, unit) is None for unit in (US, 1000 * US, S))


LAYOUTS = {
    "stamps": ("time_s,heading", lambda t, _: [f"{t},{int(float(t)) % 7}"]),
    "costs": ("time_s,gyro_us,drive_us", lambda t, k: [f"{t},{900 + 7 * k % 40},2{k % 10}00"]),
    "edges": ("time_s,name,edge", lambda t, _: [f"{t},gyro.read,begin", f"{t},gyro.read,end"]),
    "calls": ("start_s,name,duration_us", lambda t, k: [f"{t},gyro.read,{900 + 7 * k % 40}"]),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_it_is_said_in_every_layout(tmp_path, layout):
    """Seconds of four bytes after five minutes: the tick is 2^-15 s, and a note tells why."""
    header, row = LAYOUTS[layout]
    lines = [one for k, t in enumerate(uneven(300)) for one in row(f"{kept(t):.7f}", k)]
    run = read(tmp_path, "\n".join([header, *lines]) + "\n")
    assert run.layout == layout
    assert run.clock.tick_ns == round(2**-15 * S)
    assert any("32-bit floats, which step by 0.0305 ms" in note for note in run.clock.notes)


def test_calls_whose_starts_are_rounded_nest_by_the_step_of_the_starts(tmp_path):
    """Starts in whole ms beside lengths in us: rounding makes no call overlap the next one."""
    draw = np.random.default_rng(8)
    lengths = draw.integers(1500, 4000, (200, 3))
    begin = np.concatenate([[0], np.cumsum(lengths.ravel() + 5)[:-1]])
    rows = [
        f"{['gyro', 'drive', 'arm'][k % 3]},{5 + at / 1e6:.3f},{length}"
        for k, (at, length) in enumerate(zip(begin.tolist(), lengths.ravel().tolist(), strict=True))
    ]
    run = read(tmp_path, "\n".join(["name,start_s,duration_us", *rows]) + "\n")
    assert run.clock.tick_ns == MS
    assert "overlaps another call" not in run.set_aside.counts
    assert run.loop_columns.period_ns.mean() == pytest.approx(
        1000 * np.diff(begin[::3]).mean(), rel=1e-3
    )


@pytest.mark.parametrize("loop_us", [20_110, 40_300])
def test_a_clock_whose_step_has_more_digits_than_are_printed(loop_us):
    """Steps of 1/64 s printed to 0.1 ms: 15.6 and 15.7 ms are one step, 31.2 and 31.3 two."""
    draw = np.random.default_rng(9)
    true = 1000 * np.cumsum(draw.normal(loop_us, 60, 3000)).astype(np.int64)
    printed = np.rint(true // 15_625_000 * 15.625e6 / 1e5).astype(np.int64) * 100_000
    assert stepping(printed, 100_000).step_ns == pytest.approx(15_625_000, rel=1e-3)


def test_loops_of_two_lengths_at_random_are_no_clocks_step():
    """A late loop that takes two slots moves all that follow: the clock is as fine as it prints."""
    draw = np.random.default_rng(9)
    loops = np.where(draw.random(3000) < 0.2, 40.0, 20.0) + draw.uniform(-0.05, 0.05, 3000)
    printed = np.rint(np.cumsum(loops) * 10).astype(np.int64) * 100_000
    assert stepping(printed, 100_000).step_ns == 0


@pytest.mark.parametrize("stalls", [0, 15])
def test_a_step_that_is_hardly_finer_than_the_loop(stalls):
    """A loop of 20 ms on a clock of 1/64 s printed in ms shows 15, 16, 31 and 32, by the clock."""
    draw = np.random.default_rng(11)
    took = 20e6 + draw.normal(0, 0.2e6, 3000)
    took[draw.choice(3000, stalls, replace=False)] += 40e6
    paced = np.cumsum(took) - np.cumsum(took - 20e6) * 0.98
    printed = (88.0e9 + paced) // 15_625_000 * 15_625_000 // MS * MS
    assert stepping(printed.astype(np.int64), MS).step_ns == pytest.approx(15_625_000, rel=1e-3)


def test_slots_of_60_a_second_missed_at_random_are_the_loops():
    """Printed in ms, slots of 16.667 ms look like a clock's step, but each late loop stays late."""
    draw = np.random.default_rng(11)
    slots = np.cumsum(1 + (draw.random(3000) < 0.3))
    assert stepping((slots * 1e9 / 60 // MS * MS).astype(np.int64), MS).step_ns == 0


def test_a_change_of_rate_is_no_clocks_turn():
    """600 loops of 20 ms and 900 of 10, a millisecond early or late now and then."""
    draw = np.random.default_rng(3)
    true = np.where(np.arange(1500) < 600, 20, 10) + draw.normal(0, 0.05, 1500)
    found = stepping(np.rint(np.cumsum(true)).astype(np.int64) * MS, MS)
    assert (found.step_ns, found.turns) == (0, ())


@pytest.mark.parametrize("first", [20_000, 35_881, 60_000, 100_000])
def test_an_even_loop_in_whole_milliseconds_lies_on_no_grid_of_floats(first):
    """Its round instants are written as floats of that size are; the few late ones are not."""
    draw = np.random.default_rng(5)
    off = np.where(draw.random(1000) < 0.02, draw.choice([-3, -1, 1, 3], 1000), 0)
    assert binary_grid((first * 1000 + 20 * np.arange(1000) + off) * MS, S) is None


def test_a_counter_of_four_microseconds_is_no_float():
    """Floats of microseconds step by 4 from 33.6 s on, and by less before."""
    draw = np.random.default_rng(5)
    time = np.cumsum(draw.integers(19_900, 20_100, 3000)) // 4 * 4
    assert binary_grid(time * US, US) == Grid(4000.0, False)
