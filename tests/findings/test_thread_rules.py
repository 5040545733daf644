"""What is said of threads beside the loop that fall behind or end."""

import numpy as np
import pytest

from looptime.findings import summarise
from tests.build_run import make_run


def found(turns, length):
    """The findings of even loops of 20 ms beside a thread with these turns [ms]."""
    extra = {}
    for at in turns:
        call = ("odom.update", at % 20, length(at), "odom")
        extra.setdefault(int(at // 20), []).append(call)
    run = make_run([20.0] * 1000, lambda k: [("gyro.read", 0.0, 2.0), *extra.get(k, [])])
    return summarise(run).findings


@pytest.mark.parametrize(
    ("later", "said"),
    [(2.0, "each still takes 2 ms"), (50.0, "each then takes 50 ms instead of 2 ms")],
)
def test_a_slower_thread_comes_first_with_what_its_calls_take(later, said):
    """Every 20 ms until 9 s, then every 200 ms: starved, or because its calls take longer."""
    turns = [*np.arange(0, 9000, 20.0), *np.arange(9000, 19900, 200.0)]
    first = found(turns, lambda at: 2.0 if at < 9000 else later)[0]
    assert (first.code, first.severity) == ("thread_rate", "act")
    assert "runs every 20 ms until 9 s, then every 200 ms" in first.text
    assert said in first.text
    assert first.evidence.calls == ("odom.update",)


def test_a_thread_that_ends_is_asked_about():
    """Its last turn is at 7 s of 20; whether that is meant nobody can tell from the log."""
    (one,) = [f for f in found(np.arange(0, 7000, 20.0), lambda at: 2.0)
              if f.code == "thread_rate"]  # fmt: skip
    assert one.severity == "look"
    assert "until 6.98 s and no more after: has its thread ended" in one.text


def test_a_reading_whose_thread_ended_is_not_called_old_as_well():
    """Its median age over the whole log is that of its end, which is told already."""
    extra = {k: [("gyro.zero", 5.0, 2.0, "zero")] for k in range(0, 300, 5)}
    run = make_run([20.0] * 1000, lambda k: [("drive.write", 0.0, 2.0), *extra.get(k, [])])
    codes = [f.code for f in summarise(run).findings]
    assert "thread_rate" in codes
    assert "stale_reading" not in codes
