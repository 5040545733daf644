"""Clocks that wrap among the first rows, by which columns are told."""

import numpy as np
import pytest

from looptime.parsers.columns.wraps import going_on
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
