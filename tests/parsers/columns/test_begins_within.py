"""Columns that say when in the loop a part began."""

import numpy as np
import pytest

from tests.parsers.build import periods_ms, read, self_ms

#: Lengths of three parts one after another in loops of 10 ms [us], with 4 us before each.
MEANS = {"imu": 900, "drive": 2600, "radio": 750}


def log(header, row):
    """200 loops; `row` makes cells of a start of the loop, begins and lengths [us]."""
    draw = np.random.default_rng(8)
    lines, sums = [header], dict.fromkeys(MEANS, 0)
    for k in range(200):
        lengths = [round(m * (1 + 0.07 * draw.standard_normal())) for m in MEANS.values()]
        begins = [4, 8 + lengths[0], 12 + lengths[0] + lengths[1]]
        lines.append(",".join(map(str, row(500_000 + 10_000 * k + k % 7, begins, lengths))))
        for name, took in zip(MEANS, lengths, strict=True):
            sums[name] += took if k < 199 else 0
    return "\n".join(lines), {name: total / 199 / 1000 for name, total in sums.items()}


def pairs(start, begins, lengths):
    """A begin before each length."""
    return start, *(cell for pair in zip(begins, lengths, strict=True) for cell in pair)


def beside(start, begins, lengths):
    """All lengths, then all begins."""
    return start, *lengths, *begins


def in_ms(start, begins, lengths):
    """Begins in ms beside lengths in us."""
    return pairs(start, [begin / 1000 for begin in begins], lengths)


@pytest.mark.parametrize(
    ("header", "row"),
    [("t_us,imu_at,imu_us,drive_at,drive_us,radio_at,radio_us", pairs),
     ("t_us,imu_start,imu_us,drive_start,drive_us,radio_start,radio_us", pairs),
     ("t_us,imu_at_us,imu_us,drive_at_us,drive_us,radio_at_us,radio_us", pairs),
     ("t_us,imu_us,drive_us,radio_us,imu_offset,drive_offset,radio_offset", beside),
     ("t_us,at_imu,imu,at_drive,drive,at_radio,radio", pairs),
     ("t_us,imu_begin_ms,imu_us,drive_begin_ms,drive_us,radio_begin_ms,radio_us", in_ms)],
)  # fmt: skip
def test_begins_within_the_loop_are_no_parts(tmp_path, header, row):
    """The parts are the lengths beside them, each as long as it was made."""
    text, expected = log(header, row)
    run = read(tmp_path, text)
    assert np.median(periods_ms(run)) == pytest.approx(10.001, abs=0.002)
    assert {name: np.mean(ms) for name, ms in self_ms(run).items()} == pytest.approx(expected)


def test_parts_whose_names_say_at_but_that_are_in_no_order(tmp_path):
    """A length of its own beside another of the same stem stays a part."""
    text, _ = log("t_us,imu_at_us,imu_us,drive_at_us,drive_us,radio_at_us,radio_us",
                  lambda t, begins, took: pairs(t, [700, 300, 500], took))  # fmt: skip
    named = {name.name for name in read(tmp_path, text).names}
    assert {"imu_at", "drive_at", "radio_at"} <= named


@pytest.mark.parametrize("loop_us", [5_000, 14_000])
def test_lengths_without_a_unit_beside_a_clock_in_another(tmp_path, loop_us):
    """In ns everything would fit into a loop that is paced; in us the work fills much of it."""
    text, expected = log("t_ms,at_imu,imu,at_drive,drive,at_radio,radio",
                         lambda t, b, d: pairs(t // 10_000 * loop_us / 1000, b, d))  # fmt: skip
    run = read(tmp_path, text)
    assert np.median(periods_ms(run)) == loop_us / 1000
    assert {name: np.mean(ms) for name, ms in self_ms(run).items()} == pytest.approx(expected)


def test_lengths_of_any_unit_are_none(tmp_path):
    """What takes 4 us or 4 ns of a loop of 200 ms may be either: no part of it is told."""
    text, _ = log("t_ms,at_imu,imu,at_drive,drive,at_radio,radio",
                  lambda t, b, d: pairs(t / 50, b, d))  # fmt: skip
    assert not self_ms(read(tmp_path, text))
