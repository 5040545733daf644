"""Columns that are the sum of their neighbours, found in bounded work."""

import numpy as np
import pytest

from looptime.parsers.columns import inside


def test_a_stretch_before_or_after_is_found_and_a_sum_inside_a_sum() -> None:
    """A total after its parts and one before its parts lie inside the timer around both."""
    rng = np.random.default_rng(2)
    a, b, c = rng.integers(1_000_000, 2_000_000, (3, 60))
    table = np.stack([a + b + c, a, b, a + b, c], axis=1)
    assert inside.enclosing(table).tolist() == [-1, 3, 3, 0, 0]


def test_a_long_part_and_a_trifle_are_no_sum() -> None:
    """A column beside its own copy and a hundredth of it is not taken for a timer around both."""
    rng = np.random.default_rng(3)
    long = rng.integers(1_000_000, 2_000_000, 60)
    assert inside.enclosing(np.stack([long, long, long // 100], axis=1)).max() == -1


@pytest.mark.parametrize("columns", [100, 400])
def test_columns_that_hold_one_value_each_are_looked_at_once(
    monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    """A table of names that occur once each compares no more tables than it has columns."""
    rng = np.random.default_rng(5)
    table = np.zeros((columns, columns + 2), np.int64)
    table[:, :2] = rng.integers(1_000_000, 2_000_000, (columns, 2))
    table[np.arange(columns), 2 + np.arange(columns)] = rng.integers(900_000, 990_000, columns)
    asked = []
    adds_up = inside._adds_up

    def count(*args: object) -> bool:
        asked.append(args)
        return adds_up(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(inside, "_adds_up", count)
    assert inside.enclosing(table).max() == -1
    assert len(asked) <= columns
