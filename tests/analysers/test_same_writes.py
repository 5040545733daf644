"""How many writes repeat the last value, by the signals that hold it."""

import numpy as np
import pytest

from looptime.analysers.same_writes import repeats
from looptime.findings import summarise
from looptime.planner.search.suggest import suggest
from looptime.run import Signals
from tests.build_run import make_run

WRITES = {"wheel.left.write": "actuator write", "wheel.right.write": "actuator write"}


def written(signals, made=lambda k: True):
    """400 loops of 10 ms, 2 of them a write of each wheel in those that make it, and signals."""
    calls = [("gyro.read", 0, 4.0)]

    def rows(k):
        own = [(name, 4.1 + 2.1 * i, 2.0) for i, name in enumerate(WRITES)]
        return calls + (own if made(k) else [])

    run = make_run([10.0 if made(k) else 6.0 for k in range(400)], rows, WRITES)
    at = run.loop_columns.start_ns
    values = {name: np.asarray(value, float) for name, value in signals.items()}
    return type(run)(**{**vars(run), "signals": Signals(at, np.arange(400), values)})


def test_the_value_that_is_written_tells():
    """A new command in every fifth loop: of 399 writes after the first, 320 repeat the last."""
    run = written({"cmd": np.arange(400) // 5})
    found = repeats(run, list(WRITES))
    assert (found.signals, found.writes) == (("cmd",), 399)
    assert found.share == pytest.approx(320 / 399)


def test_each_wheel_has_its_own_value():
    """Left changes in every second loop, right in every fourth: 1/2 and 3/4 of them repeat."""
    signals = {"left_duty": np.arange(400) // 2, "duty_right": np.arange(400) // 4}
    found = repeats(written({**signals, "cmd": np.arange(400)}), list(WRITES))
    assert found.signals == ("left_duty", "duty_right")
    assert found.share == pytest.approx((200 / 399 + 300 / 399) / 2)


def test_writes_that_are_made_on_change_already_repeat_nothing():
    """The command stays for five loops, and only its first loop writes it."""
    run = written({"cmd": np.arange(400) // 5}, lambda k: k % 5 == 0)
    assert repeats(run, list(WRITES)).share == 0


@pytest.mark.parametrize(
    "name", ["battery_v", "target_heading_deg", "heading_cmd_deg", "cmd_gripper", "speed"]
)
def test_what_may_be_no_write_s_value_tells_nothing(name):
    """A measured value, what a controller follows, and another actuator's command."""
    assert repeats(written({name: np.zeros(400)}), list(WRITES)) is None


def test_values_of_few_loops_tell_nothing():
    """One in four loops logs the command."""
    sparse = np.where(np.arange(400) % 4, np.nan, 1.0)
    assert repeats(written({"cmd": sparse}), list(WRITES)) is None


def test_the_finding_and_the_plan_rest_on_the_signal():
    """Writes of 4 ms in 10, of which four in five repeat: 3.2 ms, or 3.5 where time makes changes.

    With 1 in 5 changed of loops of 10 ms, loops of T' hold 0.2 T' / 10: T' = 6 + 0.08 T', 6.52 ms.
    """
    run = written({"cmd": np.arange(400) // 5})
    first = next(f for f in summarise(run).findings if f.code == "many_writes")
    assert "(cmd, as logged, stays the same in 80 % of them)" in first.text
    assert "without fresh writes" in first.text
    plan = next(p for p in suggest(run).proposed if p.changes[0].startswith("on-change"))
    assert plan.changes == ("on-change wheel.*.write share=0.802",)
    assert plan.gain_ms.value == pytest.approx(-3.2, abs=0.15)
    assert plan.gain_ms.low < -(10 - 6 / 0.92) + 0.1
    assert "cmd, as logged, stays the same in 80 % of them" in plan.why
    left = suggest(written({"cmd": np.arange(400)})).not_proposed
    assert any("nearly every write is a new one" in one.why for one in left)
