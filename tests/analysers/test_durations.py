"""Durations by thread and name keep their order and lose none."""

import numpy as np
import pytest

from looptime.analysers import durations
from looptime.analysers.durations import (
    durations_by_key,
    first_durations_ms,
    named,
    narrowed,
)
from tests.build_run import make_run


def two_threads(k):
    """Three names, one of them on both threads and one only in loop 5."""
    rows = [("read", 0.5, 1 + k / 10), ("read", 3, 2), ("read", 0.1, 3 + k / 10, "other")]
    return rows + ([("rare", 6, 0.5)] if k == 5 else [])


@pytest.mark.parametrize("block", [1, 4, 1 << 15])
def test_grouping_keeps_the_order_within_a_key(monkeypatch, block):
    """As picking each key's rows out of the table, whatever is sorted at a time."""
    monkeypatch.setattr(durations, "_BLOCK", block)
    run = make_run([10] * 8, two_threads)
    at, found = run.call_columns, durations_by_key(run)
    assert len(found) == 3
    for (thread, code), ns in found.items():
        mine = (at.thread == thread) & (at.name == code)
        assert ns.tolist() == at.duration_ns[mine].tolist()
    assert sum(map(len, found.values())) == len(at)


@pytest.mark.parametrize("block", [2, 1 << 15])
def test_first_calls(monkeypatch, block):
    """The first call of each key that is asked for, late ones too, and no other."""
    monkeypatch.setattr(durations, "_BLOCK", block)
    run = make_run([10] * 8, two_threads)
    every = durations_by_key(run)
    assert first_durations_ms(run, every) == {k: ns[0] / 1e6 for k, ns in every.items()}
    rare = next(k for k, ns in every.items() if len(ns) == 1)
    assert first_durations_ms(run, [rare]) == {rare: 0.5}
    assert first_durations_ms(run, []) == {}


def test_many_names_are_marked_as_few_are():
    """A look-up and single comparisons agree; codes above 255 do not fold."""
    name = narrowed(np.arange(1000) % 300, 300)
    assert name.dtype == np.uint16
    many = list(range(3, 300, 7))
    assert (named(name, many) == np.isin(np.arange(1000) % 300, many)).all()
    assert (named(name, many[:3]) == np.isin(np.arange(1000) % 300, many[:3])).all()
