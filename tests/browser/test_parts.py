"""Pieces of which the pages are built; no browser is needed for them."""

from collections.abc import Iterator
from typing import Any

from dash.development.base_component import Component
from looptime_dashboards.parts import findings, meanings, table

from looptime.findings import Finding


def texts(part: Any) -> Iterator[str]:
    """Every text within a component, in its order."""
    if isinstance(part, str):
        yield part
    elif isinstance(part, list | tuple):
        for each in part:
            yield from texts(each)
    elif isinstance(part, Component):
        yield from texts(getattr(part, "children", None))


def test_cells_are_written_as_everywhere() -> None:
    """Numbers to four digits with thousands apart, nothing as a dash, truth in words."""
    made = list(texts(table(("call", "n"), [("gyro.read", 12345), (None, 0.123456)], "Calls")))
    assert made == ["Calls", "call", "n", "gyro.read", "12,345", "-", "0.1235"]


def test_long_tables_say_what_they_leave_out() -> None:
    """The first two of three rows are shown, and that the file has all."""
    made = " ".join(texts(table(("a",), [(1,), (2,), (3,)], "Rows", most=2)))
    assert "The first 2 of 3 rows" in made


def test_what_matters_most_is_shown_first_and_notes_stand_apart() -> None:
    """Of seven findings the first five are listed, in their order, and both notes below."""
    main = [Finding(f"c{k}", "look", f"Finding {k}.", worth=1 - k / 10) for k in range(7)]
    notes = [Finding(f"n{k}", "note", f"Note {k}.") for k in range(2)]
    made = list(texts(findings([*main, *notes])))
    assert [t for t in made if t.startswith("Finding")] == [f"Finding {k}." for k in range(5)]
    assert "2 notes" in made
    assert [t for t in made if t.startswith("Note ")] == ["Note 0.", "Note 1."]
    assert "Caution: " not in made


def test_advice_that_moves_the_robot_carries_its_caution() -> None:
    """One such finding is enough."""
    assert "Caution: " in list(texts(findings([Finding("a", "act", "A.", moves=True)])))


def test_words_explain_themselves_with_the_runs_own_figures() -> None:
    """A term that is known has its text and, where there is one, this run's figure."""
    made = " ".join(texts(meanings(["p99 ms", "no word"], {"period_ms": {"p99": {"value": 26.1}}})))
    assert "What the words mean p99" in made
    assert "Here: period p99 26.1 ms" in made
    assert meanings(["nothing of the kind"]) is None
