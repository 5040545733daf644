"""Numbers drawn down over the rows below, as no clock and no call writes them."""

import numpy as np
import pytest

import looptime
from looptime.parsers.layouts.filled_in import filled_in


def _notes(tmp_path, rows):
    path = tmp_path / "log.csv"
    text = "".join(",".join(map(str, row)) + "\n" for row in rows.tolist())
    path.write_text("time_us,gyro_us,drive_us\n" + text, encoding="utf-8")
    notes = looptime.read(path, cache=False).clock.notes
    return [note for note in notes if "even series" in note]


def _rows():
    rng = np.random.default_rng(8)
    length = rng.integers(1000, 3000, (300, 2))
    return np.column_stack([np.cumsum(rng.integers(7900, 8100, 300)), length])


@pytest.mark.parametrize("step", [0, 1, 10])
def test_lengths_filled_down(tmp_path, step):
    """Twenty lengths alike, or each more than the one above: a caution with their lines."""
    rows = _rows()
    assert _notes(tmp_path, rows) == []
    rows[100:120, 1] = rows[100, 1] + step * np.arange(20)
    (note,) = _notes(tmp_path, rows)
    assert note.startswith("lines 102 to 121: lengths")


def test_instants_filled_down(tmp_path):
    """Twenty instants of one step."""
    rows = _rows()
    rows[100:120, 0] = rows[100, 0] + 8000 * np.arange(20)
    (note,) = _notes(tmp_path, rows)
    assert "instants" in note


def test_what_is_even_by_itself():
    """A clock in whole ms, lengths of a part not done, and a short stretch say nothing."""
    rng = np.random.default_rng(9)
    coarse = np.cumsum(rng.choice([7, 8, 8, 8, 9], 400))
    assert filled_in(coarse) is None
    idle = rng.integers(1000, 3000, 300)
    idle[50:150] = 0
    assert filled_in(idle) is None
    short = rng.integers(1000, 3000, 300)
    short[50:60] = 1500
    assert filled_in(short) is None


@pytest.mark.parametrize(
    ("low", "high", "every", "said"),
    [
        (200, 231, 0, True),
        (0, 32, 0, False),
        (12, 44, 0, False),
        (200, 500, 0, False),
        (200, 210, 0, False),
        (200, 232, 40, False),
    ],
)
def test_a_name_filled_down(tmp_path, low, high, every, said):
    """A name in 31 rows that elsewhere never follows itself; not one that begins or often is so."""
    rows = [
        [8000 * (k // 4) + 1500 * (k % 4), f"part{k % 4}", 1000 + k * 37 % 211] for k in range(800)
    ]
    for k in (*range(low, high), *(range(3, 800, every) if every else ())):
        rows[k][1] = rows[low if low <= k < high else k - 1][1]
    path = tmp_path / "log.csv"
    text = "".join(",".join(map(str, row)) + "\n" for row in rows)
    path.write_text("start_us,name,duration_us\n" + text, encoding="utf-8")
    notes = looptime.read(path, cache=False).clock.notes
    found = [note for note in notes if "a name filled in?" in note]
    assert [note[:18] for note in found] == ["lines 202 to 232: "] * said


def test_a_thread_alone_at_work_is_no_name_filled_down(tmp_path):
    """A reader that runs while the loop waits for a second leaves its name in row after row."""
    rows = [(8000 * k + 2000 * j, "main", f"part{j}") for k in range(200) for j in range(3)]
    rows += [(400_500 + 50 * k, "reader", "gyro.read") for k in range(40)]
    path = tmp_path / "log.csv"
    text = "".join(f"{at},{thread},{name},{20 + at % 7}\n" for at, thread, name in sorted(rows))
    path.write_text("start_us,thread,name,duration_us\n" + text, encoding="utf-8")
    notes = looptime.read(path, cache=False).clock.notes
    assert not [note for note in notes if "a name filled in?" in note]
