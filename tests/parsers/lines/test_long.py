"""Tables of times, keys and values: what is taken for one, and what is refused."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms


@pytest.mark.parametrize("spoilt", ["reversed", "shuffled", "wraps"])
def test_times_that_do_not_go_on_are_refused(tmp_path, spoilt):
    """They would be taken for lengths; who says that they are has them read as such."""
    at = np.repeat(1000 * np.arange(200) / 50, 2)
    at = {
        "reversed": at[::-1], "wraps": at % 65.536,
        "shuffled": np.random.default_rng(2).permutation(at),
    }[spoilt]  # fmt: skip
    rows = [f"{t:.3f},{key},1.5" for t, key in zip(at, ["imu_ms", "drive_ms"] * 200, strict=True)]
    log = tmp_path / "long.csv"
    log.write_text("time_ms,key,value\n" + "\n".join(rows) + "\n")
    with pytest.raises(LogError, match=r"long\.csv: 'time_ms' does not go on from row to row"):
        looptime.read(log)
    assert looptime.read_log(log, layout="sections").runs[0].layout == "sections"


def test_a_long_table_by_the_loop_s_number(tmp_path):
    """Loop, name with a unit and value: the parts of each loop and its total."""
    rows = [
        (k, name, value)
        for k in range(30)
        for name, value in (("imu_ms", 2 + k % 3), ("drive_ms", 5), ("total_ms", 8 + k % 3))
    ]
    run = read(tmp_path, "loop,metric,value\n" + "".join(f"{a},{b},{c}\n" for a, b, c in rows))
    assert periods_ms(run) == [8 + k % 3 for k in range(30)]
    assert self_ms(run) == {"imu": [2 + k % 3 for k in range(30)], "drive": [5] * 30}
