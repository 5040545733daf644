"""Sections that nearly all loops hold once, and those that lack one."""

import numpy as np
import pytest

import looptime
from looptime.parsers.layouts.turns import odd_turns
from tests.parsers.layouts.section_rows import text

NAMES = ("gyro", "drive", "arm", "write")


def _rows(loops=100):
    rng = np.random.default_rng(5)
    return [f"{name},{rng.gamma(60, 0.02):.4f}" for _ in range(loops) for name in NAMES]


def _said(tmp_path, rows):
    path = tmp_path / "log.csv"
    path.write_text(text(rows), encoding="utf-8")
    (run,) = looptime.read_log(path, cache=False).runs
    return [note for note in run.clock.notes if "nearly all hold once" in note]


def test_blocks_that_change_places_are_told(tmp_path):
    """Rows cut out in mid-loop and put elsewhere leave loops that lack a section or repeat one."""
    rows = _rows()
    moved = rows[:42] + rows[81:121] + rows[42:81] + rows[121:]
    (note,) = _said(tmp_path, moved)
    assert note.startswith("2 loops lack or repeat what")
    assert "the first at line 42:" in note
    assert _said(tmp_path, rows) == []


@pytest.mark.parametrize("every", [2, 5, 20])
def test_a_section_that_is_left_out_now_and_then(tmp_path, every):
    """What one loop in a few leaves out, by the program's own way, is nothing odd."""
    rows = [row for at, row in enumerate(_rows()) if at % 4 != 2 or at // 4 % every]
    assert _said(tmp_path, rows) == []


def test_an_extra_section_is_nothing_odd():
    """A rare section beside the usual ones leaves their loops whole."""
    name, loop = np.tile([0, 1], 60), np.repeat(np.arange(60), 2)
    assert not len(odd_turns(np.insert(name, 41, 2), np.insert(loop, 41, 20)))


def test_names_filled_down_over_some_loops(tmp_path):
    """Calls that all have one name over a stretch: those loops make one call four times."""
    rng = np.random.default_rng(6)
    rows = []
    for k in range(200):
        for j, name in enumerate(["gyro"] * 4 if 40 <= k < 42 else NAMES):
            rows.append(f"{k},{name},{8000 * k + 1500 * j},{rng.integers(900, 1400)}")
    path = tmp_path / "log.csv"
    path.write_text(text(rows, "loop,name,start_us,duration_us\n"), encoding="utf-8")
    notes = looptime.read(path, cache=False).clock.notes
    assert any(note.startswith("2 loops lack or repeat what") for note in notes), notes
    whole = [row.replace("gyro" if 160 <= at < 168 else "-", NAMES[at % 4])
             for at, row in enumerate(rows)]  # fmt: skip
    path.write_text(text(whole, "loop,name,start_us,duration_us\n"), encoding="utf-8")
    assert not any("nearly all" in n for n in looptime.read(path, cache=False).clock.notes)
