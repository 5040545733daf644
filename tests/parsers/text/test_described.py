"""Columns that comments describe, a line each."""

import numpy as np
import pytest

from looptime.parsers.text.described import described
from tests.parsers.build import read, self_ms

RNG = np.random.default_rng(6)
IMU, ARM = RNG.integers(900, 1400, 300), RNG.integers(2000, 3000, 300)
START = np.cumsum(np.append(0, IMU + ARM + 300))[:-1]


@pytest.mark.parametrize("above", [
    "# col 1: start, us\n# col 2: gyro read, us\n# col 3: arm, us\n",
    "# tray carrier 7\n# column 0 - t [us]\n# column 1 - gyro read [us]\n# column 2 - arm [us]\n",
    "// 1) t (us)\n// 2) gyro read (us)\n// 3) arm (us)\n",
])  # fmt: skip
def test_a_line_for_each_column_names_them_and_their_units(tmp_path, above):
    """The calls go by the names in the comments, their lengths by the units."""
    rows = "".join(f"{t},{a},{b}\n" for t, a, b in zip(START, IMU, ARM, strict=True))
    found = self_ms(read(tmp_path, above + rows))
    assert set(found) == {"gyro read", "arm"}
    assert found["arm"] == pytest.approx((ARM[: len(found["arm"])] / 1000).tolist())


def test_a_header_has_the_last_word(tmp_path):
    """Comments of another log's columns do not rename those of this one."""
    above = "# col 1: t, us\n# col 2: yaw, us\n# col 3: lift, us\nt_us,imu_us,arm_us\n"
    rows = "".join(f"{t},{a},{b}\n" for t, a, b in zip(START, IMU, ARM, strict=True))
    assert set(self_ms(read(tmp_path, above + rows))) == {"imu", "arm"}


@pytest.mark.parametrize("above", [
    ["# run 1: bench 3, 20 ms"], ["# 1: idle", "# 2: lift", "# 3: drive"],
    ["# col 4: arm, us"], ["# col 1: t", "# col 1: imu"], ["# started 10:32:07"],
])  # fmt: skip
def test_other_comments_describe_no_columns(above):
    """Codes, dates, and columns that the rows have not."""
    assert described(above, 3) is None
