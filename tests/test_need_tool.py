"""A missing tool skips a test, and fails it where nothing may be skipped."""

import sys

import pytest

from tests.conftest import need_tool


def test_tool_that_is_there():
    """The path of a program that can be run is returned."""
    assert need_tool(sys.executable) == sys.executable


@pytest.mark.parametrize(
    ("ci", "outcome"), [("", pytest.skip.Exception), ("true", pytest.fail.Exception)]
)
def test_tool_that_is_missing(ci, outcome, monkeypatch):
    """Without the program the test is skipped with the reason; with CI=true it fails."""
    monkeypatch.setenv("CI", ci)
    with pytest.raises(outcome, match="needs no-such-tool"):
        need_tool("no-such-tool")
