"""Lengths that do not fit together: told by name and line, or refused where all change."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from looptime.parsers.layouts.doubtful import another_unit, full_counter, wrapped_lengths
from tests.parsers.build import read


def costs(gyro, drive):
    """Loops of 20 ms with two parts [us]."""
    rows = [f"{k * 20_000},{g:g},{d:g}" for k, (g, d) in enumerate(zip(gyro, drive, strict=True))]
    return "time_us,gyro_us,drive_us\n" + "\n".join(rows) + "\n"


def uneven(count=120):
    """Lengths about 3000 us."""
    return 3000.0 + np.arange(count) * 37 % 211


def test_one_part_in_another_unit_is_told(tmp_path):
    """The gyro's times become ms at line 62; the drive's stay us."""
    gyro = np.where(np.arange(120) >= 60, uneven() / 1000, uneven())
    run = read(tmp_path, costs(gyro, uneven() * 2))
    (note,) = [note for note in run.clock.notes if "another unit" in note]
    assert note.startswith("line 62: from here on the lengths of gyro are 1,000 times shorter")


def test_all_parts_in_another_unit_are_refused(tmp_path):
    """No figure would be right."""
    late = np.arange(120) >= 60
    path = tmp_path / "log.csv"
    text = costs(np.where(late, uneven() / 1000, uneven()), np.where(late, 2.5, 2500))
    path.write_text(text, encoding="utf-8")
    with pytest.raises(
        LogError, match=r"log\.csv:62: from this line on all lengths are 1,000 times"
    ):
        looptime.read_log(path)


def test_a_robot_that_gets_slower_is_no_change_of_unit():
    """Thirty times slower, or a thousand times for a few rows, is what happened."""
    value = uneven()
    assert another_unit(np.concatenate([value, 30 * value])) is None
    assert another_unit(np.concatenate([value, 1000 * value[:5], value])) is None


def test_a_full_counter_is_told(tmp_path):
    """Lengths above 65,535 us stand in the log as that number."""
    gyro = uneven()
    gyro[[20, 50, 90]] = 65_535
    notes = read(tmp_path, costs(uneven(), gyro)).clock.notes
    assert any(note.startswith("drive: 3 lengths are exactly 65,535") for note in notes)
    assert full_counter(uneven()) is None


def test_columns_that_change_places_are_told(tmp_path):
    """From line 82 on each part has the other's lengths; one that merely grows is no such thing."""
    gyro, drive, late = uneven(), uneven() + 900, np.arange(120) >= 60
    swapped = costs(np.where(late, drive, gyro), np.where(late, gyro, drive))
    (note,) = [n for n in read(tmp_path, swapped).clock.notes if "change places" in n]
    assert note.startswith("line 62: from here on gyro and drive have each other's lengths")
    grown = costs(np.where(late, drive, gyro), drive)
    assert not any("change places" in n for n in read(tmp_path, grown).clock.notes)


def test_lengths_that_wrap():
    """About 4,000 with a spread: 12 bits begin again at 0; spread without a wrap does not."""
    value = np.rint(np.random.default_rng(3).normal(4100, 400, 3000))
    assert wrapped_lengths(value % 4096) == 4096
    assert wrapped_lengths(np.minimum(value, 4000)) is None
    assert wrapped_lengths(np.random.default_rng(4).uniform(0, 4095, 3000) // 1) is None


def test_a_single_length_that_fills_its_counter_is_told(tmp_path):
    """One of 4,095 us in 120: twelve bits hold no more."""
    drive = uneven()
    drive[70] = 4095
    run = read(tmp_path, costs(uneven()[::-1], drive))
    assert any(note.startswith("drive: 1 length is exactly 4,095") for note in run.clock.notes)
    drive[70] = 4094
    assert not any("exactly" in n for n in read(tmp_path, costs(uneven(), drive)).clock.notes)


def test_two_logs_beside_each_other(tmp_path):
    """Columns that have one name and other contents are told; a column that stands twice is not."""
    rows = [(20 * k, 3 + k % 4, 21 * k, 5 + k % 3) for k in range(60)]
    notes = []
    for cells in (rows, [(*row[:2], *row[:2]) for row in rows]):
        path = tmp_path / "log.csv"
        text = "".join(",".join(map(str, row)) + "\n" for row in cells)
        path.write_text("time_ms,imu_ms,time_ms,imu_ms\n" + text, encoding="utf-8")
        notes.append(looptime.read(path, cache=False).clock.notes)
    assert [any("two logs beside" in note for note in one) for one in notes] == [True, False]


@pytest.mark.parametrize(("low", "high"), [(40, 52), (30, 120), (70, 120)])
def test_a_stretch_with_a_digit_more(tmp_path, low, high):
    """Both parts ten times as long over some loops, or from one on: said with the lines."""
    times = np.where((np.arange(120) >= low) & (np.arange(120) < high), 10, 1)
    notes = read(tmp_path, costs(uneven() * times / 10, uneven() * times / 20)).clock.notes
    (note,) = [note for note in notes if "ten times" in note]
    assert note.startswith(f"lines {low + 2} to {high + 1}: all lengths")


@pytest.mark.parametrize(("both", "times"), [(False, 10), (True, 6), (True, 1)])
def test_slow_loops_have_no_digit_more(tmp_path, both, times):
    """One part alone may be slow for a while, and all of them six times as slow."""
    slow = np.where((np.arange(120) >= 40) & (np.arange(120) < 60), times, 1)
    notes = read(tmp_path, costs(uneven() * slow, uneven() * (slow if both else 1))).clock.notes
    assert not [note for note in notes if "ten times" in note]


@pytest.mark.parametrize(
    ("header", "said"), [("key,value,time_us", True), ("time_us,key,value", False)]
)
def test_headers_over_the_wrong_columns(tmp_path, header, said):
    """Words under `value` and numbers under `key` cannot be meant."""
    rows = [
        f"{5000 * k},{name},{k * 37 % 211 + 900}"
        for k in range(60)
        for name in ("gyro_us", "arm_us")
    ]
    path = tmp_path / "log.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    notes = looptime.read_log(path).runs[0].clock.notes
    assert bool([note for note in notes if "over the wrong columns" in note]) is said
