"""Units that a remark lists, against headers that are written out by hand."""

import numpy as np
import pytest

from looptime.parsers.text.listed_units import in_listed_units
from tests.parsers.build import read, self_ms


@pytest.mark.parametrize(
    ("header", "remark", "told"),
    [
        ("t,gyro,arm", "// units: s;ms;ms", "t [s],gyro [ms],arm [ms]"),
        ("t,gyro,arm", "# Column units: us | us | -", "t [us],gyro [us],arm"),
        ("t,gyro,arm", "# unit per column = [us] [us] [C]", "t [us],gyro [us],arm [C]"),
        ("t,gyro,arm", "# Einheiten: s, ms, V", "t [s],gyro [ms],arm [V]"),
        ("t,gyro_us,arm", "# ms, us, us", "t [ms],gyro_us,arm [us]"),
        ("t,gyro,arm", "# units: t in ms, gyro in us", "t [ms],gyro [us],arm"),
        ("t,gyro,arm", "# t is in s; gyro and arm in ms (old timer)", "t [s],gyro [ms],arm [ms]"),
        ("t,gyro,arm", "# gyro, arm in ms", "t,gyro [ms],arm [ms]"),
        ("t,gyro,arm", "# gyro and pump in ms", "t,gyro,arm"),
        ("t,gyro,arm", "# gyro in place, arm in slow", "t,gyro,arm"),
        ("t,gyro,arm", "# units: t=ms, gyro=us", "t [ms],gyro [us],arm"),
        ("t,gyro,arm", "# units: t=ms, pump=us", "t,gyro,arm"),
        ("t,gyro,arm", "# units: ms, us", "t,gyro,arm"),
        ("t,gyro,arm", "# units: m, deg, V", "t,gyro,arm"),
        ("t,x,theta", "# units: SI (s, m, rad)", "t,x,theta"),
        ("t,gyro", "# us and us", "t,gyro"),
    ],
)
def test_a_list_stands_for_all_columns_or_names_them(header, remark, told):
    assert ",".join(in_listed_units(tuple(header.split(",")), ["# run 3", remark])) == told


def test_lengths_under_a_list_are_calls_and_values_are_not(tmp_path):
    """In a paced loop only the list says which columns are lengths, and in what unit."""
    rows = [(20 * k, 1800 + k % 7, 5900 - k % 5, 31 + 0.1 * (k % 3)) for k in range(60)]
    text = "".join(f"{t},{a},{b},{c:.1f}\n" for t, a, b, c in rows)
    run = read(tmp_path, "# units: ms, us, us, degC\nstart,gyro,arm,board\n" + text)
    own = self_ms(run)
    assert set(own) == {"gyro", "arm"}
    assert np.allclose(own["gyro"], [a / 1e3 for _, a, _, _ in rows[:-1]])
