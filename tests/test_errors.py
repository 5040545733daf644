"""Errors that a person can mend: one family, and the place in front of what is wrong."""

import pytest

from looptime import errors


@pytest.mark.parametrize(
    "kind", [errors.UsageError, errors.ProjectError, errors.NotEnoughError, errors.LogError]
)
def test_all_are_of_one_family(kind):
    """Whoever calls the program's functions can catch them by one name."""
    assert issubclass(kind, errors.LooptimeError)
    assert str(kind("what to do")) == "what to do"


def test_a_log_error_says_where():
    """The path comes first, with the line where one is known, line 0 too."""
    assert str(errors.LogError("is empty", "a.csv")) == "a.csv: is empty"
    error = errors.LogError("is cut", "a.csv", 7)
    assert str(error) == "a.csv:7: is cut"
    assert (error.what, error.path, error.line) == ("is cut", "a.csv", 7)
    assert str(errors.LogError("is cut", "a.csv", 0)) == "a.csv:0: is cut"
