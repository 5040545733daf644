"""Tables of times, keys and values: what is taken for one, and what is refused."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError


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
