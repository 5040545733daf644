"""What tests of text and of files share."""

import numpy as np
import pytest

from looptime.checks.gate.gate import gate
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import record
from tests.checks.build import CALLS, recording
from tests.views.build import NASTY, SETTINGS


@pytest.fixture(scope="module")
def failed():
    factors = np.exp(np.random.default_rng(1).normal(0, 0.004, 8))
    baseline = [
        measure(record(recording(100 + k, loops=1500, scale=f), SETTINGS).series())
        for k, f in enumerate(factors)
    ]
    slow = {**CALLS, "gyro.read": 2.0, NASTY: 0.3}
    return gate(
        [recording(7, loops=1500, calls=slow, source=NASTY)],
        baseline,
        limits={"period_p99_ms": 1.0, "overrun_share": 0.5, "call": {NASTY: {"max_ms": 0.01}}},
        settings=SETTINGS,
    )
