"""Queries are read strictly."""

import pytest

from looptime.checks.recording.facts import Facts
from looptime.checks.season.query import is_query, parse_query
from looptime.errors import UsageError


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("robott=a", "nearest is 'robot'"),
        ("robot=a robot=b", "stands twice"),
        ("last=0", "whole number"),
        ("since=yesterday", "takes a date"),
        ("baseline=maybe", "yes or no"),
        ("robot", "no KEY=VALUE"),
    ],
)
def test_bad_queries_are_one_line(text, message):
    """Each mistake is named with what would do."""
    with pytest.raises(UsageError, match=message) as error:
        parse_query(text)
    assert "\n" not in str(error.value)


def test_paths_are_no_queries():
    """A path is told from a query, also one with an equals sign or a backslash."""
    assert not is_query(r"C:\logs\monday.csv")
    assert not is_query("logs/a=b.csv")
    assert not is_query("it's.csv")
    assert is_query("last=3,robot=x")


def test_until_a_day_means_to_its_end():
    """A run of that evening still counts, one of the next morning does not; an hour is an hour."""
    day, noon = parse_query("until=2026-03-01"), parse_query("until=2026-03-01T12:00")
    evening, morning = Facts(time="2026-03-01T21:30:00"), Facts(time="2026-03-02T00:00:01")
    assert [day.matches("a", f, False) for f in (evening, morning)] == [True, False]
    assert not noon.matches("a", evening, False)
