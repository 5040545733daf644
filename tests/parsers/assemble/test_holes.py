"""Time outside every part, planted as a pause or as rows that are missing: it looks the same."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.parsers.assemble.holes import holes, lacking, numbered
from tests.parsers.build import read

SAID = "outside every part"


def _rows(rest_us, loops=200):
    """Stamp and two lengths of each loop [us]; `rest_us` lies outside in each."""
    rng = np.random.default_rng(7)
    lengths = rng.integers(3000, 4000, (loops, 2))
    start = np.concatenate([[0], np.cumsum(lengths.sum(axis=1) + rest_us)[:-1]])
    return np.column_stack([start, lengths])


def _notes(tmp_path, rows, header="time_us,gyro_us,drive_us"):
    text = "".join(",".join(map(str, row)) + "\n" for row in rows.tolist())
    notes = read(tmp_path, f"{header}\n{text}").clock.notes
    return [note for note in notes if SAID in note]


def test_rows_lost_without_a_trace(tmp_path):
    """Three rows are gone: the loop before them holds three loops' time that no part took."""
    rows = np.delete(_rows(200), [80, 81, 82], axis=0)
    (note,) = _notes(tmp_path, rows)
    assert note.startswith("1 loop at line 81 holds 2")
    assert "rows lost" in note
    assert _notes(tmp_path, _rows(200)) == []


def test_a_pause_outside_the_parts_is_told_likewise(tmp_path):
    """A pause of as long leaves the same log."""
    rest = np.full(200, 200)
    rest[79] += 24_000
    assert len(_notes(tmp_path, _rows(rest))) == 1


def test_numbers_of_the_loops_tell(tmp_path):
    """With numbers that go on no row is lost: it was a pause, or the clock was set."""
    rest = np.full(200, 200)
    rest[79] += 24_000
    rows = np.column_stack([np.arange(200), _rows(rest)])
    (note,) = _notes(tmp_path, rows, "loop,time_us,gyro_us,drive_us")
    assert note.endswith("stalls there, or the clock was set")


@pytest.mark.parametrize("rest", [9000, np.where(np.arange(200) % 4, 200, 9000)])
def test_time_that_is_usually_outside(tmp_path, rest):
    """Where the parts are the smaller half, or every fourth loop pauses, it is no wonder."""
    assert _notes(tmp_path, _rows(rest)) == []


def _even(tmp_path, loops):
    """So many loops of 10 ms with one call of 4 ms."""
    rows = "".join(f"{10_000 * k},4000\n" for k in range(loops + 1))
    return read(tmp_path, f"time_us,drive_us\n{rows}")


@pytest.mark.parametrize(
    ("loops", "far", "told"),
    [(29, 1, 0), (30, 1, 1), (30, 3, 1), (30, 4, 0), (100, 5, 1), (100, 6, 0)],
)
def test_few_loops_of_enough_are_told(tmp_path, loops, far, told):
    """One in 20, three at least, of 30 and more."""
    outside = np.full(loops, 1_000_000)
    outside[3 : 3 + far] = 20_000_000
    run = _even(tmp_path, loops)
    notes = holes(run, outside, numbered=False)
    assert ["where 1 ms is usual" in note for note in notes] == [True] * told
    assert holes(replace(run, meta={"looptime-recorder": "cpp 1"}), outside, False) == ()


@pytest.mark.parametrize(("usual_us", "told"), [(5000, 1), (5001, 0), (9000, 0)])
def test_half_of_the_loop_may_be_outside(tmp_path, usual_us, told):
    """Where more is outside in every loop, much of it in one is no wonder."""
    outside = np.full(50, 1000 * usual_us)
    outside[20] += 20_000_000
    assert len(holes(_even(tmp_path, 50), outside, numbered=False)) == told


def _calls(tmp_path, without):
    """Four hundred loops and one that is cut off, of two calls; the second is missing in some."""
    rows = [f"{k},{name},{10_000 * k + at},1000\n"
            for k in range(401) for name, at in (("gyro", 0), ("drive", 2000))
            if name == "gyro" or k not in without]  # fmt: skip
    return read(tmp_path, "loop,name,start_us,duration_us\n" + "".join(rows))


@pytest.mark.parametrize(
    ("without", "line"), [([0], None), ([399], None), ([1], 4), ([398], 798), ([7, 9], 16)]
)
def test_a_loop_that_lacks_a_call_is_named_by_its_line(tmp_path, without, line):
    """The first of them; a program may start and stop within a loop."""
    told = lacking(_calls(tmp_path, without))
    assert [f"line {line}:" in one for one in told] == [True] * (line is not None)


def test_a_part_that_did_not_run_is_no_lost_row(tmp_path):
    """In a table of one row a loop an empty cell says what it is."""
    rows = "".join(f"{10_000 * k},4000,{'' if k == 9 else 500}\n" for k in range(60))
    assert lacking(read(tmp_path, f"time_us,drive_us,lift_us\n{rows}")) == ()


@pytest.mark.parametrize(
    ("loop", "seq", "told"), [(None, None, False), ([1], None, True), (None, [1], True)]
)
def test_calls_are_numbered_by_loop_or_in_sequence(loop, seq, told):
    """Either of the two tells of a row that is lost."""
    parsed = SimpleNamespace(loops=None, calls=SimpleNamespace(loop=loop, seq=seq))
    assert numbered(parsed) is told


@pytest.mark.parametrize(("more_ms", "said"), [(7.9, ()), (8.1, ("1 loop at line 22 holds 9.1",))])
def test_most_of_a_loop_more_is_told(tmp_path, more_ms, said):
    """Of 10 ms, of which 1 is usually outside: a lost row takes about a whole one away."""
    outside = np.full(50, 1_000_000)
    outside[20] += round(1e6 * more_ms)
    notes = holes(_even(tmp_path, 50), outside, numbered=False)
    assert tuple(note.partition(" ms outside every part")[0] for note in notes) == said
