"""Lengths that wrapped while the clock went on, planted in a loop whose truth is known."""

import numpy as np
import pytest

from looptime.parsers.assemble.short_lengths import short_lengths
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


def said_of(tmp_path, outside_us, call_us=1000):
    """What is said of loops of one call, with so much outside [us]; the clock ticks in 1 us."""
    outside = np.array(outside_us)
    start = np.cumsum(call_us + outside.astype(int) + 1)
    rows = "".join(f"{a},{call_us}\n" for a in [0, *start.tolist()])
    return short_lengths(read(tmp_path, "time_us,drive_us\n" + rows), np.rint(1000 * outside))


@pytest.mark.parametrize(
    ("held_us", "said"),
    [
        (2**24, "16777 ms (2^24 us)"), (2**20, "1049 ms (2^20 us)"), (256_000, "256.0 ms (2^8 ms)"),
        (2**16, "65.54 ms (2^16 us)"), (2**15, "32.77 ms (2^15 us)"), (2**14, "16.38 ms (2^14 us)"),
        (2**13, "8.192 ms (2^13 us)"), (2**12, "4.096 ms (2^12 us)"),
    ],
)  # fmt: skip
def test_every_counter_is_told_from_the_others(tmp_path, held_us, said):
    """One loop of 100 has just what a counter holds more outside than the 200 us of the others."""
    (told,) = said_of(tmp_path, [200] * 99 + [200 + held_us])
    assert told.startswith(f"1 loop has {said} ")


@pytest.mark.parametrize(("loops", "told"), [(29, 0), (30, 1)])
def test_thirty_loops_tell(tmp_path, loops, told):
    """In fewer, what is usual is not known."""
    assert len(said_of(tmp_path, [200] * (loops - 1) + [65_736])) == told


@pytest.mark.parametrize(("call_us", "told"), [(65_535, 1), (65_536, 0)])
def test_a_call_that_is_longer_shows_that_lengths_go_on(tmp_path, call_us, told):
    """Where a call lasts as long as the counter holds, it does not begin again there."""
    assert len(said_of(tmp_path, [200] * 99 + [65_736], call_us)) == told


def test_loops_without_calls_say_nothing(tmp_path):
    """There is no length that could be short."""
    run = read(tmp_path, "time_us\n" + "".join(f"{20_000 * k + k % 3}\n" for k in range(60)))
    assert short_lengths(run, np.array([200_000] * 58 + [65_736_000])) == ()


def test_a_quarter_of_the_counter_more_is_not_far(tmp_path):
    """Beside a loop with 2^16 us more, one with just a quarter of it more does not count."""
    (told,) = said_of(tmp_path, [200] * 98 + [200 + 2**14, 200 + 2**16])
    assert told.startswith("1 loop has 65.54 ms (2^16 us)")


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (-12, 0), (-11, 1), (211, 1), (300, 1), (331, 1), (332, 0),  # beyond 2^16 us
    ],
)  # fmt: skip
def test_a_multiple_is_told_to_within_what_is_usually_outside(tmp_path, more, told):
    """Usual are 200 us, 3 in 100 have 100 and 8 have 300; 11 us more for tick and rounding.

    From 200 +- 0.6 (300 - 100) or, where a late loop does not wait, from 0 to 200.
    """
    usual = [100] * 3 + [200] * 88 + [300] * 8
    assert len(said_of(tmp_path, [*usual, 2**16 + more])) == told


@pytest.mark.parametrize(
    ("more", "told"),
    [([50], 1), ([300], 0), ([300, 310], 1), ([300, 4096 + 700], 0)],
)
def test_what_chance_does_is_not_told(tmp_path, more, told):
    """0 to 500 us are an eighth of 2^12: one loop in them may be chance, two are not."""
    usual = [100] * 3 + [500] * (91 - len(more)) + [2000] * 6
    assert len(said_of(tmp_path, [*usual, *(4096 + one for one in more)])) == told
