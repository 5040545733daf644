"""Columns that say of a length what it was so far in the run."""

import numpy as np
import pytest

from looptime import read, summarise
from looptime.parsers.columns.role import Seen
from looptime.parsers.columns.so_far import is_longest, is_mean, so_far


def lengths(seed=3, loops=200):
    """Some 10 ms each, in hundredths, with a few long ones."""
    draw = np.random.default_rng(seed)
    took = 10 + 0.4 * draw.standard_normal(loops)
    took[draw.integers(20, loops, 4)] += 5
    return took.round(2)


def smoothed(took, share=0.1):
    mean = [took[0]]
    for new in took[1:]:
        mean.append(mean[-1] + share * (new - mean[-1]))
    return np.round(mean, 2)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.5])
def test_a_smoothed_copy_is_a_mean_so_far(share):
    """By the rule that makes it, rounded to hundredths."""
    took = lengths()
    assert is_mean(smoothed(took, share), took)
    assert not is_mean(took, smoothed(took, share))


def test_the_mean_of_all_rows_so_far():
    took = lengths()
    assert is_mean((np.cumsum(took) / np.arange(1, len(took) + 1)).round(3), took)


def test_values_without_squares_are_no_mean():
    """A float has no square of 1e-200: nothing is told, and nothing divided by it."""
    took = 1e-200 * lengths()
    assert not is_mean(smoothed(took), took)


@pytest.mark.parametrize("begun", [0.0, 14.5])
def test_the_longest_so_far_may_have_begun_before_the_log(begun):
    took = lengths()
    longest = np.maximum(np.maximum.accumulate(took), begun)
    assert is_longest(longest, took)
    assert not is_longest(took, longest)


def test_what_is_measured_by_itself_is_neither():
    """Another length of the same mean, one that creeps up, the same length again, and a target."""
    took, other = lengths(3), lengths(4)
    scatter = 0.05 * np.random.default_rng(5).standard_normal(200)
    creeps = (np.linspace(9, 11, 200) + scatter).round(2)
    for one in (other, creeps, took, np.full(200, 10.0)):
        assert not is_mean(one, took)
        assert not is_longest(one, took)


def test_parts_beside_such_columns_keep_what_they_are():
    took = lengths()
    seen = [Seen("duration", took, 10**6, (), "last"), Seen("duration", lengths(6), 10**6),
            Seen("duration", smoothed(took), 10**6)]  # fmt: skip
    assert {at: role.taken_as for at, role in so_far(seen, {}).items()} == {2: "beside"}


HEADS = [
    "loop,last_ms,avg_ms,max_ms,gyro_ms,drive_ms,cpu",
    "n,loop_ms,mittel_ms,laengste_ms,a_ms,b_ms,cpu",
]


@pytest.mark.parametrize("head", HEADS)
def test_a_row_a_loop_with_its_mean_and_longest_so_far_is_read(tmp_path, head):
    """Loops of 10 ms of which 2 and 5 are timed: no figure so far and no load counts as a part."""
    took, draw = lengths(), np.random.default_rng(8)
    gyro = (2 + 0.1 * draw.standard_normal(200)).round(2)
    drive = (took - gyro - 2.5).round(2)
    columns = [took, smoothed(took), np.maximum.accumulate(took), gyro, drive]
    cpu = draw.integers(88, 94, 200)
    rows = "".join(
        f"{k},{','.join(f'{column[k]:.2f}' for column in columns)},{cpu[k]}\n" for k in range(200)
    )
    path = tmp_path / "run.csv"
    path.write_text(f"{head}\n{rows}", encoding="utf-8")
    found = summarise(read(path))
    assert np.median(read(path).loop_columns.period_ns) / 1e6 == pytest.approx(
        np.median(took), abs=0.02
    )
    shares = {c.name: c.self_ms_per_loop for c in found.costs.calls}
    assert len(shares) == 2
    assert sum(shares.values()) == pytest.approx(float((gyro + drive).mean()), rel=1e-3)


@pytest.mark.parametrize("load", [30, 90])
def test_a_load_without_a_unit_is_no_length_beside_some_that_have_theirs(tmp_path, load):
    """Percent of the processor, larger or smaller than the loop's 10 ms."""
    took, draw = lengths(), np.random.default_rng(8)
    gyro = (2 + 0.1 * draw.standard_normal(200)).round(2)
    drive = (took - gyro - 2.5).round(2)
    cpu = load + draw.integers(-3, 4, 200)
    rows = "".join(f"{k},{took[k]},{gyro[k]},{drive[k]},{cpu[k]}\n" for k in range(200))
    path = tmp_path / "run.csv"
    path.write_text(f"loop,last_ms,gyro_ms,drive_ms,cpu\n{rows}", encoding="utf-8")
    summarise(read(path))
    assert np.median(read(path).loop_columns.period_ns) / 1e6 == pytest.approx(
        np.median(took), abs=0.02
    )


def test_a_whole_without_a_unit_that_grows_with_its_parts_stays_one(tmp_path):
    """One part alone has a unit: busy is the sum of all three and 0.2 ms."""
    draw = np.random.default_rng(9)
    parts = (np.array([[1400], [5900], [2100]]) + 200 * draw.standard_normal((3, 300))).round()
    busy = parts.sum(axis=0) + 200
    at = 800 + np.cumsum(np.full(300, 13))
    rows = "".join(
        f"imu {a:.0f} us | wheels {b:.0f} | grip {c:.0f} | busy {d:.0f} | up {t} ms\n"
        for a, b, c, d, t in zip(*parts, busy, at, strict=True)
    )
    path = tmp_path / "serial.log"
    path.write_text(rows, encoding="utf-8")
    assert {call.name for call in read(path).names} == {"imu", "wheels", "grip"}
    assert summarise(read(path)).pace.headroom_ms is not None


def test_a_column_that_no_two_rows_in_turn_hold_follows_nothing():
    """Each second row alone states it: it has no steps, and that is no warning either."""
    took = lengths()
    seldom = np.where(np.arange(len(took)) % 2, smoothed(took), np.nan)
    assert so_far([Seen("duration", took), Seen("duration", seldom)], {}) == {}


def test_a_column_that_states_the_length_of_the_next_row_is_no_mean():
    """Nothing is new in what it stated already."""
    took = lengths()
    assert not is_mean(took[1:], took[:-1])
