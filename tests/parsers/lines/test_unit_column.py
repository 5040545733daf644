"""Units that stand in a column of their own."""

import numpy as np
import pytest

from tests.parsers.build import read, self_ms


@pytest.mark.parametrize("head", ["loop,call,duration,unit", "start_ms,call,took,unit"])
def test_a_unit_of_its_own_in_each_row_of_a_call(tmp_path, head):
    """One call is logged in us and another in ms; a loop of 20 ms makes the first twice."""
    rows = []
    for k in range(60):
        begin = [k] * 3 if head.startswith("loop") else [20 * k, 20 * k + 3, 20 * k + 6]
        rows += [f"{begin[0]},camera,{4 + k % 3},ms" if head.startswith("loop")
                 else f"{begin[0]},camera,{2 + k % 3 / 4},ms",
                 f"{begin[1]},imu,{900 + k},us", f"{begin[2]},imu,{950 + k},us"]  # fmt: skip
    run = read(tmp_path, head + "\n" + "\n".join(rows) + "\n")
    loops = np.arange(len(run))
    assert self_ms(run)["imu"] == pytest.approx((1850 + 2 * loops) / 1e3)
    camera = 4 + loops % 3 if head.startswith("loop") else 2 + loops % 3 / 4
    assert self_ms(run)["camera"] == pytest.approx(camera)
