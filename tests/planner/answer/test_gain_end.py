"""A pace that the loop hardly keeps so far, and what is said of it."""

import pytest

from looptime.planner.answer.gain_end import end_of_gain
from looptime.planner.play.draft import known
from tests.build_run import make_run


def paced(waits_ms):
    """Reads of 12 ms, and then what is left to wait in each loop [ms]."""
    rows = [[("tray.read", 0, 12), ("tick.wait", 12, ms)] for ms in waits_ms]
    kinds = {"tray.read": "sensor read", "tick.wait": "pacing"}
    return known(make_run([12 + ms for ms in waits_ms], lambda j: rows[j], kinds))


@pytest.mark.parametrize(
    ("waits_ms", "said"),
    [([0.0015] * 600, "tick.wait hardly waits today, 0.0015 ms a loop"),
     ([2.0 if j % 100 == 50 else 0.0 for j in range(600)], "tick.wait waits now and then")],
)  # fmt: skip
def test_a_wait_that_takes_no_time_is_not_called_one(waits_ms, said):
    """A microsecond in every loop is what the call costs; two milliseconds in some are a wait."""
    (told,) = end_of_gain(paced(waits_ms), 12.0, 4.0)
    assert told.startswith(said)
