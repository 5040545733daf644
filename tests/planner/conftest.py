"""What tests of the planner share."""

import pytest

from tests.planner.robot import Robot, record


@pytest.fixture(scope="session")
def today():
    """A recording of today's code."""
    return record(Robot(), 1, loops=900)
