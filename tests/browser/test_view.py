"""What an address asks for, and how many answers are kept; no browser is needed."""

import pytest
from looptime_dashboards.cut import stretches
from looptime_dashboards.view import read_view
from looptime_dashboards.work import Work


@pytest.mark.parametrize(("end", "kept"), [(4.0, None), (5.0, None), (5.5, 5.5)])
def test_a_range_without_length_is_no_range(end: float, kept: float | None) -> None:
    """From a second to the same second, or to one before it, asks for the whole run."""
    view = read_view(f"?start=5&end={end}")
    assert (view.start, view.end) == (None if kept is None else 5.0, kept)


def test_as_many_answers_are_kept_as_were_asked_for() -> None:
    """Of four answers the oldest goes, where three are kept."""
    work = Work(keep=3)
    for name in "abc":
        work.put(name, name)
    assert [work.has(name) for name in "abc"] == [True] * 3
    work.put("d", "d")
    assert [work.has(name) for name in "abcd"] == [False, True, True, True]


@pytest.mark.parametrize(("text", "value"), [("0", None), ("-1", None), ("nan", None), ("2", 2.0)])
def test_a_tolerance_is_above_nothing(text: str, value: float | None) -> None:
    """No loop keeps an error of 0, so that it is no tolerance; a range may begin at 0."""
    view = read_view(f"?deg={text}&mm={text}&start=0")
    assert (view.deg, view.mm, view.start) == (value, value, 0.0)


def test_a_part_that_is_short_enough_is_one_stretch() -> None:
    """Of 100 loops 100 are all; of 101 they are twenty stretches of five, from end to end."""
    assert stretches(7, 107, 100) == [(7, 107)]
    made = stretches(7, 108, 100)
    assert len(made) == 20
    assert {b - a for a, b in made} == {5}
    assert (made[0][0], made[-1][1]) == (7, 108)
