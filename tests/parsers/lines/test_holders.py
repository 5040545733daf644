"""Tables of who has a lock, with nobody's name where it is given back."""

import pytest

from looptime.parsers.lines.holders import by_holders
from looptime.parsers.text.sniff import sniff
from tests.parsers.build import periods_ms, read, self_ms

LOOPS = 60
#: Instants [ms], who has the bus from then on, and which: the loop for 2 ms in each 20, a camera's
#: thread for 6 ms in each 60.
ROWS = sorted(
    [(20 * k + 1, "loop", "i2c0") for k in range(LOOPS)]
    + [(20 * k + 3, "", "i2c0") for k in range(LOOPS)]
    + [(60 * k + 8, "camera", "i2c0") for k in range(LOOPS // 3)]
    + [(60 * k + 14, "", "i2c0") for k in range(LOOPS // 3)]
)


@pytest.mark.parametrize(
    ("head", "line", "nobody"),
    [
        ("time_ms,owner,resource", "{t},{who},{what}", ""),
        ("t_ms;lock;holder", "{t};{what};{who}", "-"),
        ("time_ms,taken_by,bus", "{t},{who},{what}", "free"),
        ("time_ms,held_by", "{t},{who}", "none"),
    ],
)
def test_who_has_a_bus_is_what_the_loop_and_a_thread_hold(tmp_path, head, line, nobody):
    """Every pass of the loop holds it for 2 ms, and every turn of the camera for 6."""
    rows = [line.format(t=t, who=who or nobody, what=what) for t, who, what in ROWS]
    run = read(tmp_path, "\n".join([head, *rows]) + "\n")
    assert periods_ms(run) == [20.0] * (LOOPS - 1)
    assert run.thread_names[run.loop_thread] == "loop"
    held = "i2c0 held" if "{what}" in line else "lock held"
    assert self_ms(run) == {held: [2.0] * (LOOPS - 1)}
    other = ~run.on_loop_thread
    assert set(run.call_columns.duration_ns[other]) == {6_000_000}
    assert any("who has a lock" in note for note in run.clock.notes)


@pytest.mark.parametrize(
    ("head", "row"),
    [
        ("time_ms,owner,heading", "{t},{who},{t}"),  # a signal beside it
        ("time_ms,mode,call", "{t},auto,imu"),  # nobody ever
        ("time_ms,note", "{t},{who}"),  # a column of notes, of which some rows have none
    ],
)
def test_other_tables_with_empty_cells_are_none_of_locks(head, row):
    """A note, a mode or an owner of rows that hold something else."""
    lines = [head, *(row.format(t=t, who=who) for t, who, _ in ROWS)]
    assert by_holders(lines, sniff("\n".join(lines), "a.csv")) is None


def test_rows_that_take_no_turns_are_none_of_locks():
    """Names that follow one another are no takes of a lock."""
    lines = ["time_ms,owner,resource"]
    lines += [f"{5 * k},{'' if k % 4 == 3 else 'loop'},i2c0" for k in range(200)]
    assert by_holders(lines, sniff("\n".join(lines), "a.csv")) is None
