"""Runs of one small robot whose loops are all alike, and what must hold of every prediction."""

import numpy as np
from hypothesis import strategies as st

from tests.build_run import make_run

nested_loops = st.lists(
    st.tuples(
        st.integers(0, 3_000),
        st.lists(st.tuples(st.integers(0, 2_000), st.integers(0, 3_000)), max_size=3),
        st.integers(0, 1_000),
    ),
    min_size=1,
    max_size=12,
)

LABELS = {
    "gyro.read": {"kind": "sensor read", "bus": "port"},
    "enc.a": {"kind": "sensor read", "bus": "port"},
    "enc.b": {"kind": "sensor read", "bus": "port"},
    "motor.set": {"kind": "actuator write", "bus": "port"},
    "send": {"kind": "telemetry"},
}


CALLS = [("gyro.read", 0, 2), ("enc.a", 2, 1), ("enc.b", 3, 1), ("motor.set", 5, 1)]


def plain(n=40, calls=CALLS, period=8.0, **labels):
    """Loops of one length that make the same calls."""
    return make_run([period] * n, calls, {**LABELS, **labels})


def mean_ms(run):
    """Mean period [ms]."""
    return run.loop_columns.period_ns.mean() / 1e6


def balance(run):
    """Assert that self times and unattributed time add up to each period."""
    pieces = run.self_pieces()
    covered = np.zeros(len(run), np.int64)
    np.add.at(covered, pieces.loop, pieces.self_ns)
    rest = run.loop_columns.period_ns - covered
    assert (rest >= 0).all()
    assert (run.call_columns.self_ns >= 0).all()
    assert np.array_equal(rest, run.unattributed_ns())
    assert np.array_equal(np.diff(run.loop_columns.start_ns), run.loop_columns.period_ns[:-1])
    at = run.call_columns
    inside = at.start_ns >= run.loop_columns.start_ns[at.loop]
    ends = run.loop_columns.start_ns + run.loop_columns.period_ns
    assert (inside & (at.start_ns <= ends[at.loop])).all()


def built(loops, reach=0):
    """A run with nested calls, and one call that may run on into the next loop [us]."""
    periods, rows = [], []
    for j, (gap, inner, tail) in enumerate(loops):
        at = gap
        calls = []
        for k, (lead, took) in enumerate(inner):
            calls.append((f"inner{k}", (at + lead) / 1e3, took / 1e3))
            at += lead + took
        total = at + tail + 1
        calls.insert(0, ("outer", gap / 1e3, (at - gap + tail) / 1e3))
        if reach and j + 1 < len(loops):
            calls.append(("over", total / 1e3 - 0.0005, min(reach, loops[j + 1][0]) / 1e3))
        periods.append(total / 1e3)
        rows.append(calls)
    return make_run(periods, lambda j: rows[j], {"inner0": "sensor read"})
