"""Findings: each with support, in order of what acting would buy, in plain words."""

import numpy as np
import pytest

from looptime.findings import find, summarise
from looptime.questions import Asked, summary
from tests.build_run import make_run
from tests.findings.build import even_run


def test_healthy_log_says_so():
    """An even log has one finding: that nothing stands out, with its rate."""
    (only,) = summarise(even_run()).findings
    assert (only.code, only.severity) == ("healthy", "fine")
    assert only.value == pytest.approx(100, rel=0.01)
    assert not only.moves


def test_warm_up_is_said_once():
    """A phase that holds none of the warm-up does not mention it."""
    t = np.arange(6000) * 0.01
    rng = np.random.default_rng(1)
    period = 10 * (1 + 0.3 * np.exp(-t / 1.5)) * np.exp(rng.normal(0, 0.04, 6000))
    run = make_run(period, phases=["unattended"] * 2500 + ["operator"] * 3500)
    operator, unattended = summary(Asked(), run)
    assert "warm_up" not in [f.code for f in operator.findings]
    assert "warm_up" in [f.code for f in unattended.findings]


def test_nothing_to_say_of_no_loops():
    """An empty run has no findings."""
    empty = summarise(make_run([]))
    assert find(empty) == ()
