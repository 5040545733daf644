"""What tests of the gate share."""

import pytest

from tests.checks.gate.build import baseline_runs


@pytest.fixture(scope="module")
def baseline():
    return baseline_runs()
