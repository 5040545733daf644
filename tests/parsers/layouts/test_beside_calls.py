"""What stands beside timed calls: row numbers that begin anew, values in rows and columns."""

import numpy as np
import pytest

from tests.parsers.build import balance, read, self_ms

CALLS = [("gyro.read", 0.0, 2.0), ("steer.write", 3.0, 1.0), ("log.send", 5.0, 3.0)]  # [ms]
LOOPS = 80


def heading(k):
    return 20.0 + 0.5 * k


def calls(k):
    """Rows of a loop of 10 ms: its number, the place in it, name, start and duration."""
    return [(k, i, name, 10 * k + at, took) for i, (name, at, took) in enumerate(CALLS)]


def on_call(k):
    """The value stands in the row of the call that took it, marked with its name."""
    return [f"{','.join(map(str, row))},{'heading_deg' if not row[1] else ''},"
            f"{heading(k) if not row[1] else ''}" for row in calls(k)]  # fmt: skip


def on_row_without_name(k):
    """The value has a row of its own, with no name but its mark."""
    return [*(f"{','.join(map(str, row))},," for row in calls(k)),
            f"{k},,,{10 * k + 2},,heading_deg,{heading(k)}"]  # fmt: skip


def on_row_of_the_name(k):
    """The value has a row of its own with the name of the call that took it."""
    first, *rest = (f"{','.join(map(str, row))},," for row in calls(k))
    return [first, f"{k},,gyro.read,{10 * k + 2},,heading_deg,{heading(k)}", *rest]


@pytest.mark.parametrize("rows", [on_call, on_row_without_name, on_row_of_the_name])
def test_values_marked_with_their_own_name_are_signals(tmp_path, rows):
    """Row numbers that begin anew in each loop are no clock's steps, and no call is lost."""
    text = "loop,seq,name,start_ms,duration_ms,mark,value\n"
    text += "".join(f"{row}\n" for k in range(LOOPS) for row in rows(k))
    run = read(tmp_path, text)
    found = self_ms(run)
    assert {name: set(found[name]) for name, _, _ in CALLS} == {n: {t} for n, _, t in CALLS}
    assert run.signals.values["heading_deg"].tolist()[:3] == [20.0, 20.5, 21.0]
    balance(run)


def test_a_column_filled_beside_one_call_only_is_a_signal(tmp_path):
    """A heading in radians that stands in the rows of the call that reads it."""
    text = "seq,name,start_ms,duration_ms,heading_rad,note\n"
    for k in range(LOOPS):
        for _, i, name, start, took in calls(k):
            value = f"{np.radians(heading(k)):.9f}" if not i else ""
            text += f"{i},{name},{start},{took},{value},\n"
    run = read(tmp_path, text)
    there = run.signals.values["heading_deg"]
    assert there[:3] == pytest.approx([20.0, 20.5, 21.0], abs=1e-6)
    assert run.signals.time_ns[:3].tolist() == [0, 10_000_000, 20_000_000]


def test_edges_numbered_within_their_loop(tmp_path):
    """Edges whose numbers begin anew in each loop are read in the order in which they stand."""
    text = "loop,seq,time_ms,name,edge\n"
    for k in range(LOOPS):
        for _, i, name, start, took in calls(k):
            text += f"{k},{2 * i},{start},{name},begin\n{k},{2 * i + 1},{start + took},{name},end\n"
    found = self_ms(read(tmp_path, text))
    assert {name: set(found[name]) for name, _, _ in CALLS} == {n: {t} for n, _, t in CALLS}


def test_numbers_that_go_on_still_tell_missing_rows(tmp_path):
    """Numbers of rows that count through the log keep telling that some are missing."""
    text = "loop,seq,name,start_ms,duration_ms\n"
    rows = [(k, 3 * k + i, *rest) for k in range(LOOPS) for _, i, *rest in calls(k)]
    text += "".join(f"{','.join(map(str, row))}\n" for row in rows if row[0] not in (30, 31))
    assert "missing" in " ".join((*read(tmp_path, text).clock.notes,))
