"""The canonical run: pieces of self time, what is left over, and parts of a run."""

import numpy as np
import pytest

from looptime.run import (
    CallColumns,
    Clock,
    LoopColumns,
    MarkColumns,
    Run,
    SetAside,
    Signals,
)
from looptime.schema import REASONS, CallName
from tests.build_run import make_flat_run


@pytest.fixture
def run():
    """Four loops of 100 ns; `long` runs from loop 1 on into 2 and 3; another thread beside."""
    calls = CallColumns(
        loop=np.array([0, 0, 1, 2, 3], np.int32),
        thread=np.array([0, 1, 0, 0, 0], np.int16),
        name=np.array([0, 2, 1, 0, 0], np.int32),
        start_ns=np.array([0, 10, 180, 220, 350]),
        duration_ns=np.array([30, 60, 150, 20, 10]),
        self_ns=np.array([30, 60, 130, 20, 10]),
        depth=np.array([0, 0, 0, 1, 0], np.int16),
        seq=np.arange(5),
        spill_row=np.array([2, 2]),
        spill_loop=np.array([2, 3], np.int32),
        spill_ns=np.array([80, 30]),
    )
    return Run(
        LoopColumns(
            np.arange(4) + 7,
            np.arange(4) * 100,
            np.full(4, 100),
            phase=np.array([0, 0, 1, 1], np.int16),
            phase_names=("standby", "operator"),
            line=np.array([2, 4, 5, 6]),
        ),
        calls,
        (CallName("a"), CallName("long"), CallName("reader")),
        ("main", "side"),
        0,
        signals=Signals(
            np.array([5, 250]), np.array([0, 2], np.int32), {"heading_deg": np.array([1.0, 2.0])}
        ),
        marks=MarkColumns(
            np.array([20, 260]),
            np.array([0, 2], np.int32),
            np.array([1, 0], np.int16),
            np.array([2, 2], np.int32),
            np.array([False, True]),
        ),
    )


def per_loop(run):
    """Self time [ns] by name and loop, added up one by one."""
    pieces, made = run.self_pieces(), {}
    rows = np.arange(len(run.call_columns))[pieces.row]
    for row, loop, name, ns in zip(rows, pieces.loop, pieces.name, pieces.self_ns, strict=True):
        assert run.call_columns.name[row] == name
        made.setdefault(run.names[name].name, [0] * len(run))[loop] += int(ns)
    return made


def test_self_time_is_cut_at_the_boundaries(run):
    """A call that crosses gives each loop its part; the other thread costs the loop nothing."""
    assert per_loop(run) == {"a": [30, 0, 20, 10], "long": [0, 20, 80, 30]}
    assert run.unattributed_ns().tolist() == [70, 80, 0, 60]


@pytest.mark.parametrize(
    ("keep", "pieces", "rest"),
    [
        ([1, 1, 1, 1], {"a": [30, 0, 20, 10], "long": [0, 20, 80, 30]}, [70, 80, 0, 60]),
        ([1, 1, 0, 1], {"a": [30, 0, 10], "long": [0, 20, 30]}, [70, 80, 60]),
        ([0, 1, 0, 0], {"long": [20]}, [80]),
        ([1, 0, 0, 0], {"a": [30]}, [70]),
    ],
)
def test_a_part_keeps_each_loop_as_it_was(run, keep, pieces, rest):
    """In the loops that are kept, each call has the time it had."""
    part = run.select(np.array(keep, bool))
    assert per_loop(part) == pieces
    assert part.unattributed_ns().tolist() == rest
    numbers = [7 + at for at, yes in enumerate(keep) if yes]
    assert part.loop_columns.loop.tolist() == numbers
    assert part.loop_columns.line.tolist() == [(2, 4, 5, 6)[n - 7] for n in numbers]


def test_a_part_takes_signals_marks_and_phases_along(run):
    """What falls into the loops that are kept comes along under their new places."""
    part = run.select(np.array([False, False, True, True]))
    assert part.signals.loop.tolist() == [0]
    assert part.signals.values["heading_deg"].tolist() == [2.0]
    assert part.marks.loop.tolist() == [0]
    assert part.marks.used.tolist() == [True]
    assert part.loops.phase.tolist() == ["operator", "operator"]
    assert part.calls.loop.tolist() == [9, 10]
    assert part.calls.seq.tolist() == [3, 4]


def test_nothing_kept_is_an_empty_run(run):
    """A part may be empty; its tables are too."""
    part = run.select(np.zeros(4, bool))
    assert (len(part), len(part.calls), len(part.self_pieces().loop)) == (0, 0, 0)
    assert part.duration_s == 0.0


def test_one_stretch_of_loops_copies_no_times():
    """Leaving out the warm-up of a long run does not take the memory of a second one."""
    whole = make_flat_run(np.full(50, 10), {"a": np.full(50, 4), "b": np.full(50, 3)})
    part = whole.select(np.arange(50) >= 20)
    for name in ("start_ns", "duration_ns", "self_ns", "name"):
        column = getattr(part.call_columns, name)
        assert np.shares_memory(column, getattr(whole.call_columns, name))
        assert column.tolist() == getattr(whole.call_columns, name)[40:].tolist()
    assert part.call_columns.loop.tolist() == np.repeat(np.arange(30), 2).tolist()


def test_a_part_of_a_part_is_the_part(run):
    """Choosing twice is choosing once."""
    twice = run.select(np.array([True, True, True, False])).select(np.array([False, True, True]))
    once = run.select(np.array([False, True, True, False]))
    assert per_loop(twice) == per_loop(once)
    assert twice.calls.equals(once.calls)


def test_tables_hold_numbers_as_logged(run):
    """The tables for notebooks carry the log's loop numbers and names."""
    assert run.loops.columns.tolist() == ["loop", "start_ns", "period_ns", "phase"]
    assert run.calls.loop.tolist() == [7, 7, 8, 9, 10]
    assert run.calls.name.tolist() == ["a", "reader", "long", "a", "a"]
    assert run.calls.thread.tolist() == ["main", "side", "main", "main", "main"]
    assert run.on_loop_thread.tolist() == [True, False, True, True, True]


def test_reasons_are_counted_most_frequent_first():
    """Rows set aside by reason, and as a table that fills in texts that were not kept."""
    aside = SetAside(np.array([2, 5, 9]), np.array([1, 0, 1], np.int16), ("x", "y"))
    assert list(aside.counts.items()) == [(REASONS[1], 2), (REASONS[0], 1)]
    assert aside.table.text.tolist() == ["x", "y", ""]


def test_lengths_beyond_what_a_float_holds_are_added_up_exactly():
    """One absurd call of 2^56 + 3 ns leaves exactly what its loop has left."""
    long = 2**56 + 3
    calls = CallColumns(
        loop=np.array([0, 0, 1], np.int32), thread=np.zeros(3, np.int16),
        name=np.zeros(3, np.int8), start_ns=np.array([0, long, 2**57]),
        duration_ns=np.array([long, 5, 7]), self_ns=np.array([long, 5, 7]),
        depth=np.zeros(3, np.int8),
    )  # fmt: skip
    loops = LoopColumns(np.arange(2), np.array([0, 2**57]), np.array([2**57, 10]))
    run = Run(loops, calls, (CallName("read"),), ("main",), 0)
    assert run.unattributed_ns().tolist() == [2**57 - long - 5, 3]


def test_a_second_clock_whose_sign_is_not_known():
    """-3 ppm, between -8 and 2: it may as well gain, so that the signs stay."""
    skew = {"value": -3.0, "low": -8.0, "high": 2.0}
    other = {"column": "host_s", "used_column": "board_us", "skew_ppm": skew,
             "jitter_ns": 1_000_000, "used_jitter_ns": 1000}  # fmt: skip
    assert "gains -3 ppm (-8 to 2)" in Clock(other=other).told()[0]
    surely = {**other, "skew_ppm": {"value": -3.0, "low": -8.0, "high": -1.0}}
    assert "loses 3 ppm (1 to 8)" in Clock(other=surely).told()[0]
