"""Rows of several kinds, each behind its word, whose columns a comment names."""

import numpy as np
import pytest

from looptime.errors import LogError
from looptime.parsers.columns.kind_legend import named_by_kind
from looptime.parsers.text.dialect import Dialect
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


def bare(*kinds, fields=3):
    """How rows without a header are written, each behind its word, in turn."""
    sample = [(kinds[k % len(kinds)], *(str(20 * k + c) for c in range(1, fields)))
              for k in range(9)]  # fmt: skip
    return Dialect(",", ".", None, 0, fields, fields, sample=tuple(sample))


@pytest.mark.parametrize(
    ("line", "fields", "names"),
    [
        ("# L:t_ms,imu_us", 3, ("t_ms", "imu_us")),
        ("L = t_ms; imu_us", 3, ("t_ms", "imu_us")),
        ("// L: t_ms imu_us", 3, ("t_ms", "imu_us")),
        ("# L: period_ms, imu_us", 3, ("period_ms", "imu_us")),
        ("# L: t_ms", 2, ("t_ms",)),
    ],
)
def test_names_behind_the_rows_word_are_taken(line, fields, names):
    """Set apart by whatever makes as many as there are cells; a period tells the time as well."""
    assert named_by_kind(bare("L", fields=fields), [line]).header == ("kind_of_row", *names)


@pytest.mark.parametrize(
    ("kinds", "line"),
    [
        ("L", "# W: t_ms, imu_us"),  # of other rows
        ("L", "# : t_ms, imu_us"),  # of none
        ("L", "# L: t_ms, t_ms"),
        ("L", "# L: t_ms, 20"),
        ("L", "# L: t_ms, "),
        ("LW", "# L: t_ms, imu_us"),  # which of them are rows is another's question
        ("7", "# 7: t_ms, imu_us"),  # a number names no kind
        (("t_ms",), "t_ms, imu_us"),  # nothing stands behind the word
    ],
)
def test_other_lines_name_no_columns(kinds, line):
    """Rows stay without names."""
    at = bare(*kinds)
    assert named_by_kind(at, [line]) is at


def test_a_header_and_lone_cells_stay_as_they_are():
    """There is nothing to name."""
    titled = Dialect(",", ".", ("L", "t_ms", "imu_us"), 0, 3, 3, sample=bare("L").sample)
    assert named_by_kind(titled, ["# L: t_ms, arm_us"]) is titled
    lone = bare("L", fields=1)
    assert named_by_kind(lone, ["# L:"]) is lone
