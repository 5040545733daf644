"""Columns that are the sum of their neighbours, found in bounded work."""

import numpy as np
import pytest

from looptime.array_types import Int
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


def planted(many: int, parts: int = 10) -> tuple[Int, list[int]]:
    """Sums that stand before or after their parts in turn, and the column around each column."""
    rng = np.random.default_rng(7)
    columns, parent = [], []
    for one in range(many):
        own = rng.integers(100_000, 200_000, (parts, 40))
        first = len(columns)
        if one % 2:
            columns += [own.sum(axis=0), *own]
            parent += [-1, *[first] * parts]
        else:
            columns += [*own, own.sum(axis=0)]
            parent += [*[first + parts] * parts, -1]
    return np.stack(columns, axis=1), parent


def test_many_sums_are_found_and_each_looked_for_where_its_parts_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Twice as many sums of ten columns take twice the looks beside a column, not four times."""
    looks = []
    note = inside._Sums._note
    monkeypatch.setattr(
        inside._Sums, "_note", lambda self, *asked: looks.append(0) or note(self, *asked)
    )
    counted = []
    for many in (20, 40):
        table, parent = planted(many)
        assert inside.enclosing(table).tolist() == parent
        counted.append(len(looks))
        looks.clear()
    assert counted[1] < 2.5 * counted[0]


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
