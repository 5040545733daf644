"""Instants on a binary grid, whose step follows from how floats of 32 bits are made."""

import struct

import numpy as np
import pytest

from looptime.parsers.clock.binary import Grid, binary_grid
from tests.parsers.build import read

S, MS, US = 10**9, 10**6, 1000


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


def test_even_loops_are_no_grid():
    """Loops of 1/64 s show their own period, not the clock's."""
    assert binary_grid(np.arange(300) * 15_625_000 + 2**17 * S, S) is None


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
