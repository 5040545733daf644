"""Lengths that wrapped while the clock went on, planted in a loop whose truth is known."""

import numpy as np
import pytest

from tests.parsers.build import read


def log(tmp_path, longer, held):
    """A loop of about 9 ms whose drive.read now and then takes `longer` [us], kept in `held`."""
    draw = np.random.default_rng(12)
    lengths = draw.integers(2000, 3500, (300, 3))
    lengths[40 :: 300 // max(len(longer), 1), 1][: len(longer)] += np.array(longer, int)
    rest = draw.integers(100, 300, 300)
    start = np.concatenate([[0], np.cumsum(lengths.sum(axis=1) + rest)[:-1]])
    rows = np.column_stack([start, lengths % held]).tolist()
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    return read(tmp_path, "time_us,gyro_us,drive_us,arm_us\n" + text)


@pytest.mark.parametrize(
    ("longer", "held", "said"),
    [
        ([80_000], 2**16, "1 loop has 65.54 ms (2^16 us)"),
        ([80_000, 150_000, 70_000], 2**16, "3 loops have 65.54 ms (2^16 us)"),
        ([40_000, 72_000], 2**15, "2 loops have 32.77 ms (2^15 us)"),
        ([17_000, 18_500], 2**14, "2 loops have 16.38 ms (2^14 us)"),
        ([9000, 17_500, 9900], 2**13, "3 loops have 8.192 ms (2^13 us)"),
    ],
)
def test_stalls_longer_than_the_counter_of_lengths(tmp_path, longer, held, said):
    """What is missing is a multiple of what the counter holds: said with the first figure."""
    limits = log(tmp_path, longer, held).clock.limits
    assert any(one.startswith(said) for one in limits)


@pytest.mark.parametrize("longer", [[], [80_000], [80_000, 150_000, 70_000]])
def test_lengths_that_fit(tmp_path, longer):
    """The same stalls with lengths of 32 bits leave nothing outside."""
    assert log(tmp_path, longer, 2**32).clock.limits == ()


def test_time_outside_of_any_other_length(tmp_path):
    """Pauses outside the calls that are no multiples of a counter say nothing of lengths."""
    draw = np.random.default_rng(13)
    lengths = draw.integers(2000, 3500, (300, 3))
    rest = draw.integers(100, 300, 300)
    rest[[40, 90, 200]] += [61_000, 98_000, 140_000]
    start = np.concatenate([[0], np.cumsum(lengths.sum(axis=1) + rest)[:-1]])
    rows = np.column_stack([start, lengths]).tolist()
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    run = read(tmp_path, "time_us,gyro_us,drive_us,arm_us\n" + text)
    assert run.clock.limits == ()


def paced(tmp_path, longer, held):
    """Loops of 20 ms that wait for their tick, one of which has a call that is `longer` [us]."""
    draw = np.random.default_rng(14)
    lengths = draw.integers(2000, 6500, (300, 3))
    lengths[150, 1] += longer
    period = np.maximum(20_000, lengths.sum(axis=1) + draw.integers(20, 60, 300))
    rows = np.column_stack([np.cumsum(period) - period, lengths % held]).tolist()
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    return read(tmp_path, "time_us,gyro_us,drive_us,arm_us\n" + text).clock.limits


def test_one_stall_of_a_paced_loop(tmp_path):
    """A late loop does not wait: 65.54 ms and little more outside it, where others wait for 14."""
    (said,) = paced(tmp_path, 80_000, 2**16)
    assert said.startswith("1 loop has 65.54 ms (2^16 us)")
    assert paced(tmp_path, 80_000, 2**32) == ()
