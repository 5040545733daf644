"""Headers that name a fault or a deviation, held against the values below them."""

import numpy as np
import pytest

from looptime.parsers.columns_taken import columns_taken

K = np.arange(300)


def taken(tmp_path, header, values):
    """What a column beside a clock and two parts is taken for."""
    path = tmp_path / "log.csv"
    rows = "".join(f"{0.02 * k:.4f},1.{k % 7},5.{k % 5},{v}\n" for k, v in enumerate(values))
    path.write_text(f"time_s,gyro_ms,drive_ms,{header}\n{rows}", encoding="utf-8")
    return columns_taken(path).columns[3].taken_as


@pytest.mark.parametrize(("header", "values"), [
    ("err", np.where(K % 60, 0, 4)), ("error", K % 3), ("err", np.zeros(300, int)),
    ("err_code", K * 7 % 90), ("overrun", np.where(K % 9, 0, 1)),
])  # fmt: skip
def test_codes_and_counts_of_faults_are_no_deviations(tmp_path, header, values):
    """Whole, never below zero, and mostly nothing or one of a few; or called a code."""
    assert taken(tmp_path, header, values.tolist()) == "signal"


@pytest.mark.parametrize(("header", "values"), [
    ("err", K % 5 - 2), ("err", K % 7 / 10), ("error_ms", np.where(K % 60, 0, 4)),
    ("jitter", K % 3), ("overrun", K * 11 % 37),
])  # fmt: skip
def test_what_is_off_stays_a_deviation(tmp_path, header, values):
    """Below zero, in fractions, in a unit of time, of many lengths, or called nothing else."""
    assert taken(tmp_path, header, values.tolist()) == "deviation"
