"""A lost or garbled row of the call that begins a loop makes no slow loop."""

import numpy as np
import pytest

import looptime
from looptime.parsers.layouts import merged
from looptime.parsers.layouts.merged import merged_loops, odd_turns
from tests.parsers.layouts.section_rows import text

NAMES = ("gyro.read", "drive.encoders.read", "drive.motors.write")
N, AT = 200, 300


def _rows(n=N):
    return [
        [str(20_000 * k + 4_000 * j), name, str(2_500 + 10 * j)]
        for k in range(n)
        for j, name in enumerate(NAMES)
    ]


def _read(tmp_path, rows, head="start_us,name,duration_us"):
    path = tmp_path / "log.csv"
    lines = [row if isinstance(row, str) else ",".join(row) for row in rows]
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return looptime.read(path, cache=False)


@pytest.mark.parametrize(
    ("column", "cell"), [(0, "6x00"), (0, "20000"), (1, ""), (1, "gy~o"), (2, "25#1"), (2, "9" * 9)]
)
def test_a_garbled_row_of_the_loops_call(tmp_path, column, cell):
    """Every loop lasts 20 ms; the two around the row are left out, and it is said."""
    rows = _rows()
    rows[AT][column] = cell
    run = _read(tmp_path, rows)
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
    assert len(run) == N - 3  # the last loop has no end, two more are left out
    assert run.rows_read == run.rows_used + len(run.set_aside)


@pytest.mark.parametrize("what", ["torn", "lost"])
def test_a_torn_or_lost_row_of_the_loops_call(tmp_path, what):
    """The same where the row broke off, or is not there at all."""
    rows = _rows()
    rows[AT : AT + 1] = ["60"] if what == "torn" else []
    run = _read(tmp_path, rows)
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}


def test_a_loop_that_is_slow_stays(tmp_path):
    """A loop that waits for a bus, or makes one of its calls again, is one loop, twice as long."""
    waits, again = _rows(), _rows()
    for rows in (waits, again):
        for row in rows[AT + 3 :]:
            row[0] = str(int(row[0]) + 20_000)
    again.insert(AT + 3, [str(20_000 * 101), NAMES[1], "2500"])
    for rows in (waits, again):
        periods = _read(tmp_path, rows).loop_columns.period_ns
        assert periods[100] == 40_000_000
        assert len(periods) == N - 1


def test_a_program_that_often_goes_round_twice_is_left_alone(tmp_path):
    """A call made in four of five loops begins none by mistake of the log: nothing is left out."""
    kept = [row for k, row in enumerate(_rows()) if k % 3 or (k // 3) % 5]
    run = _read(tmp_path, kept, "start_us,name,duration_us")
    asked = looptime.read(tmp_path / "log.csv", loop_call="gyro.read", cache=False)
    assert len(run) == N - 1
    assert (asked.loop_columns.period_ns == 40_000_000).sum() == N // 5 - 1


def test_numbered_loops_do_not_need_the_row(tmp_path):
    """Where the log numbers its loops the next call of the loop tells its start."""
    rows = [[str(k // 3), *row] for k, row in enumerate(_rows())]
    rows[AT][2] = ""
    run = _read(tmp_path, rows, "loop,start_us,name,duration_us")
    assert len(run) == N - 1
    assert run.loop_columns.period_ns.max() == 24_000_000


def test_it_is_said(tmp_path):
    """The words on how loops were found tell how many are left out."""
    rows = _rows()
    del rows[AT], rows[30]
    said = _read(tmp_path, rows).loop_from
    assert "2 times 2 loops are left out between which the row of that call is missing" in said


TURNS = ("gyro", "drive", "arm", "write")


def _in_turn(loops=100):
    rng = np.random.default_rng(5)
    return [f"{name},{rng.gamma(60, 0.02):.4f}" for _ in range(loops) for name in TURNS]


def _out_of_turn(tmp_path, rows):
    path = tmp_path / "log.csv"
    path.write_text(text(rows), encoding="utf-8")
    (run,) = looptime.read_log(path, cache=False).runs
    return [note for note in run.clock.notes if "nearly all hold once" in note]


def test_blocks_that_change_places_are_told(tmp_path):
    """Rows cut out in mid-loop and put elsewhere leave loops that lack a section or repeat one."""
    rows = _in_turn()
    moved = rows[:42] + rows[81:121] + rows[42:81] + rows[121:]
    (note,) = _out_of_turn(tmp_path, moved)
    assert note.startswith("2 loops lack or repeat what")
    assert "the first at line 42:" in note
    assert _out_of_turn(tmp_path, rows) == []


@pytest.mark.parametrize("every", [2, 5, 20])
def test_a_section_that_is_left_out_now_and_then(tmp_path, every):
    """What one loop in a few leaves out, by the program's own way, is nothing odd."""
    rows = [row for at, row in enumerate(_in_turn()) if at % 4 != 2 or at // 4 % every]
    assert _out_of_turn(tmp_path, rows) == []


def test_an_extra_section_is_nothing_odd():
    """A rare section beside the usual ones leaves their loops whole."""
    name, loop = np.tile([0, 1], 60), np.repeat(np.arange(60), 2)
    assert not len(odd_turns(np.insert(name, 41, 2), np.insert(loop, 41, 20)))


def test_names_filled_down_over_some_loops(tmp_path):
    """Calls that all have one name over a stretch: those loops make one call four times."""
    rng = np.random.default_rng(6)
    rows = []
    for k in range(200):
        for j, name in enumerate(["gyro"] * 4 if 40 <= k < 42 else TURNS):
            rows.append(f"{k},{name},{8000 * k + 1500 * j},{rng.integers(900, 1400)}")
    path = tmp_path / "log.csv"
    path.write_text(text(rows, "loop,name,start_us,duration_us\n"), encoding="utf-8")
    notes = looptime.read(path, cache=False).clock.notes
    assert any(note.startswith("2 loops lack or repeat what") for note in notes), notes
    whole = [row.replace("gyro" if 160 <= at < 168 else "-", TURNS[at % 4])
             for at, row in enumerate(rows)]  # fmt: skip
    path.write_text(text(whole, "loop,name,start_us,duration_us\n"), encoding="utf-8")
    assert not any("nearly all" in n for n in looptime.read(path, cache=False).clock.notes)


def test_calls_of_two_loops_in_one_are_counted_in_whatever_order_they_stand():
    """Thirty loops of 10 ms, of which the ninth begin is lost; calls name by name, or mixed."""
    at = 10 * np.arange(30)
    begins = np.delete(at, 9)
    calls = np.concatenate([begins, at + 2, at + 4])
    name = np.repeat([0, 1, 2], [29, 30, 30])
    for order in (np.arange(89), np.argsort(calls), np.random.default_rng(1).permutation(89)):
        found = merged_loops(begins[:-1], begins[1:], calls[order], name[order], 0)
        assert np.flatnonzero(found).tolist() == [8]


def test_only_so_many_rows_are_looked_at_for_odd_turns(monkeypatch):
    """Loops 10 and 300 of 400 lack a section, one of them beyond the first 600 rows."""
    name, loop = np.tile([0, 1, 2], 400), np.repeat(np.arange(400), 3)
    name, loop = np.delete(name, [31, 901]), np.delete(loop, [31, 901])
    assert odd_turns(name, loop).tolist() == [10, 300]
    monkeypatch.setattr(merged, "LOOKED_AT", 600)
    assert odd_turns(name, loop).tolist() == [10]
