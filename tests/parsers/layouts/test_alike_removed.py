"""Rows that chance makes alike are missing where somebody removed what stood in the log twice."""

import numpy as np
import pytest

import looptime
from looptime.parsers.layouts.alike_removed import expected_alike, without_alike
from tests.parsers.layouts.section_rows import text

SAID = "no two rows are alike"


def _notes(tmp_path, rows):
    path = tmp_path / "log.csv"
    path.write_text(text(rows), encoding="utf-8")
    return [note for run in looptime.read_log(path, cache=False).runs for note in run.clock.notes]


def _rows(seed, digits, loops=300):
    rng = np.random.default_rng(seed)
    names = {"gyro": 1.2, "drive": 2.1, "write": 0.9}
    return [
        f"{name},{rng.gamma(60, mean / 60):.{digits}f}"
        for _ in range(loops)
        for name, mean in names.items()
    ]


@pytest.mark.parametrize("digits", [2, 3])
def test_rows_that_were_alike_are_gone(tmp_path, digits):
    """A caution where the second of two equal rows was removed, none for the log as written."""
    for seed in range(5):
        rows = _rows(seed, digits)
        assert not any(note.startswith(SAID) for note in _notes(tmp_path, rows))
        left = list(dict.fromkeys(rows))
        assert any(note.startswith(SAID) for note in _notes(tmp_path, left))


def test_lengths_too_fine_to_be_alike(tmp_path):
    """Where rows are written to the nanosecond, none is alike by chance and nothing is said."""
    assert not any(note.startswith(SAID) for note in _notes(tmp_path, _rows(1, 6)))


def test_pairs_to_be_expected():
    """For lengths drawn at will from m values, n (n - 1) / 2 m pairs are alike."""
    rng = np.random.default_rng(3)
    counts = [expected_alike(np.repeat([0, 1], 500), rng.integers(0, 2000, 1000))
              for _ in range(40)]  # fmt: skip
    true = 2 * 500 * 499 / 2 / 2000
    assert np.mean([expected for expected, _ in counts]) == pytest.approx(true, rel=0.05)
    assert min(alike for _, alike in counts) > 0.5 * true


def test_no_rows_and_one_row():
    """Nothing is said of what has no pairs."""
    for count in range(3):
        assert without_alike(np.zeros(count, int), np.full(count, 7)) == ()


def _again(rows, how):
    if how == "some loops":
        return [
            row for at in range(0, len(rows), 3) for row in rows[at : at + 3] * (1 + (at % 8 == 0))
        ]
    return [
        row for at, row in enumerate(rows) for row in [row, *rows[at - 6 : at - 5][: at % 7 == 6]]
    ]


@pytest.mark.parametrize("how", ["some loops", "some rows later"])
def test_rows_written_twice_are_told(tmp_path, how):
    """Rows like one close before, far more of them than chance makes in the log as it was."""
    said = "written twice?"
    for seed in range(3):
        rows = _rows(seed, 3)
        assert not any(said in note for note in _notes(tmp_path, rows))
        assert any(said in note for note in _notes(tmp_path, _again(rows, how)))


def test_a_call_that_mostly_does_nothing_is_not_written_twice(tmp_path):
    """A write that is skipped in four loops of five takes the same 5 us each time."""
    rng = np.random.default_rng(9)
    rows = [
        row if row[:5] != "write" or rng.random() < 0.2 else "write,0.005" for row in _rows(9, 3)
    ]
    assert not any("written twice?" in note for note in _notes(tmp_path, rows))
