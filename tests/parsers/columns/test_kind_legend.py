"""Rows of several kinds, each behind its word, whose columns a comment names."""

import numpy as np
import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms

LEGEND = "# L = a loop: time_us, gyro_us, arm_us\n# W = the writer thread: time_us, flush_us\n"


def rows(every, cells):
    """Loops of two calls and a rest, and rows of another thread at no pace."""
    rng = np.random.default_rng(9)
    gyro, arm = rng.integers(1500, 1900, 400), rng.integers(2500, 2900, 400)
    at = np.concatenate([[0], np.cumsum(gyro + arm + 300)[:-1]])
    lines = [(t, f"L,{t},{a},{b}") for t, a, b in zip(at, gyro, arm, strict=True)]
    lines += [(int(t), f"W,{t}{',9000' * cells}") for t in at[3::every] + 777]
    return at, gyro, [line for _, line in sorted(lines)]


@pytest.mark.parametrize("every", [4, 60])
def test_the_loop_is_read_and_the_others_are_no_damage(tmp_path, every):
    """Names and units are those of the comment; no loop is lost around a row of another kind."""
    at, gyro, lines = rows(every, 1)
    run = read(tmp_path, LEGEND + "\n".join(lines) + "\n")
    assert periods_ms(run) == (np.diff(at) / 1000).tolist()
    assert self_ms(run)["gyro"] == (gyro[:-1] / 1000).tolist()
    assert run.set_aside.counts["other thread"] == len(range(3, 400, every))


def test_without_a_legend_no_remedy_mixes_kinds_unsaid(tmp_path):
    """Rows of as many cells: those of one word alone are offered first."""
    lines = rows(30, 2)[2]
    with pytest.raises(LogError) as told:
        read(tmp_path, "\n".join(lines) + "\n")
    assert "if only rows of one kind are loops" in str(told.value)
    assert "--where tag=L" in str(told.value)


@pytest.mark.parametrize(
    "note",
    [
        "# L taken at: greenhouse, noon",
        "# L = left side: front, rear",
        "# L settings: gain_ms, hold_ms",
        "# L units: us, us",
    ],
)
def test_notes_are_no_legend(tmp_path, note):
    """As many words as cells, none of which names a clock: asked for names as without them."""
    lines = [f"L,{20_000 * k + k % 7},{1500 + k % 90}" for k in range(200)]
    with pytest.raises(LogError) as told:
        read(tmp_path, "\n".join([note, *lines]) + "\n")
    assert "has no header" in str(told.value)
    assert '--columns "skip,time_us' in str(told.value)
