"""Rows of two loops in one file, with another number of cells each."""

import numpy as np
import pytest

from looptime.errors import LogError
from tests.parsers.build import read


def log(other, mark=","):
    """A loop of 10 ms with two values a row, and rows of `other` cells at instants of its own."""
    rng = np.random.default_rng(12)
    own = 100 + np.cumsum(10 + 0.1 * rng.standard_normal(400))
    rows = [(t, f"{t:.2f}{mark}{rng.random():.2f}{mark}{rng.random():.2f}") for t in own.tolist()]
    rows += [(t, mark.join([f"{t:.2f}", *[f"{rng.random():.2f}"] * (n - 1)])) for t, n in other]
    return "\n".join(text for _, text in sorted(rows)) + "\n"


@pytest.mark.parametrize(("cells", "mark"), [(2, ","), (5, ";")])
def test_rows_of_a_width_and_a_pace_of_their_own_are_of_another_loop(tmp_path, cells, mark):
    """They are no damage: no loop of the first is cut short beside them."""
    rng = np.random.default_rng(3)
    at = 103 + np.cumsum(27 + 0.3 * rng.standard_normal(140))
    run = read(tmp_path, log([(t, cells) for t in at.tolist()], mark), unit="ms")
    assert run.set_aside.counts == {"other thread": 140, "unfinished last loop": 1}
    assert len(run) == 399


@pytest.mark.parametrize("cells", [[2], [1, 2, 4]])
def test_rows_that_were_cut_are_damage_still(tmp_path, cells):
    """At no pace, or of any width, they are rows that were lost."""
    rng = np.random.default_rng(4)
    at = np.sort(rng.uniform(100, 4000, 60))
    other = [(t, cells[k % len(cells)]) for k, t in enumerate(at.tolist())]
    run = read(tmp_path, log(other), unit="ms")
    assert "other thread" not in run.set_aside.counts


MESSAGES = ("gripper opened", "gripper shut", "link lost", "bench 7 reached", "goal 3 set by hand",
            "voltage 12 V now", "operator pressed pause")  # fmt: skip


@pytest.mark.parametrize("gap", [0.8, 6.0])
@pytest.mark.parametrize("words", [MESSAGES, MESSAGES[3:]])
def test_messages_at_no_pace_are_no_loops(tmp_path, gap, words):
    """Seconds apart by an exponential law, of two to five words."""
    rng = np.random.default_rng(8)
    at = np.datetime64("2026-05-02T09:00") + (
        1000 * np.cumsum(rng.exponential(gap, 300))
    ).astype("timedelta64[ms]")  # fmt: skip
    text = "".join(
        f"{t} {words[k]}\n" for t, k in zip(at, rng.integers(0, len(words), 300), strict=True)
    )
    with pytest.raises(LogError, match="messages"):
        read(tmp_path, text)
