"""Calls that took the place of others."""

from __future__ import annotations

import pytest

from tests.checks.build import recording
from tests.checks.compare.build import compare_sides


def test_calls_that_took_the_place_of_others_stand_beside_them():
    """Four encoder reads of 0.6 ms became one of 1 ms: sums by hand, and one sentence."""
    old = {**{f"drive.wheel{k}.read": 0.6 for k in range(4)}, "gyro.read": 2.0}
    new = {"drive.all.read": 1.0, "gyro.read": 2.0, "lamp.write": 0.2}
    found = compare_sides([recording(1, calls=old)], [recording(2, calls=new)])
    pair, fresh = found.replaced
    assert (pair.before_name, pair.after_name) == ("drive.wheel*.read", "drive.all.read")
    assert len(pair.before) == 4
    assert pair.before_ms == pytest.approx(2.4, rel=0.01)
    assert pair.after_ms == pytest.approx(1.0, rel=0.01)
    assert (fresh.before, fresh.after) == ((), ("lamp.write",))
    assert any(s.startswith("4 x drive.wheel*.read 2.4 ms a loop, became") for s in found.sentences)


def test_a_call_keeps_its_name_at_the_head_of_a_sentence():
    """One read of 1 ms became four: it is written as the log has it, without a capital."""
    old = {"drive.all.read": 1.0, "gyro.read": 2.0}
    new = {**{f"drive.wheel{k}.read": 0.6 for k in range(4)}, "gyro.read": 2.0}
    found = compare_sides([recording(1, calls=old)], [recording(2, calls=new)])
    assert any(s.startswith("drive.all.read 1 ms a loop, became 4 x") for s in found.sentences)
