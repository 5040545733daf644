"""Time outside every part, planted as a pause or as rows that are missing: it looks the same."""

import numpy as np
import pytest

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
