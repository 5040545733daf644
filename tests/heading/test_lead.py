"""A heading read ahead."""

import numpy as np
import pytest

from looptime.errors import UsageError
from looptime.heading.lead import Lead, parse_lead
from looptime.heading.motion import Steady
from looptime.heading.pattern import even
from looptime.heading.stale import stale_everywhere
from tests.heading.build import W, table_of


@pytest.mark.parametrize("lead", [Lead("measured"), Lead("fixed", 0.004)])
def test_lead_leaves_only_the_hold_of_a_steady_turn(lead):
    """With the reading's age at use added, a steady turn leaves w x T/2 (heading extrapolation)."""
    motion, sampling = Steady("", W), even(100, 400, 0.004)
    leads = np.array([0.004])
    found = stale_everywhere(motion, sampling, table_of(motion, sampling, lead, leads=leads))
    assert found.mean.value == pytest.approx(W * 0.005, rel=1e-9)
    assert found.max == pytest.approx(W * 0.01, rel=1e-6)
    assert found.p95.value == pytest.approx(W * 0.0095, rel=1e-9)


def test_too_much_lead_overshoots():
    """A lead of L + T/2 centres the error of a steady turn: mean size w T/4."""
    motion, sampling = Steady("", W), even(100, 400, 0.004)
    lead = Lead("fixed", 0.009)
    found = stale_everywhere(motion, sampling, table_of(motion, sampling, lead))
    assert found.mean.value == pytest.approx(W * 0.0025, rel=1e-9)
    assert found.lateral.value == pytest.approx(0.0, abs=1e-12)
    x = W * 0.005  # to either side: the mean of |sin| from -x to x
    assert found.sideways.value == pytest.approx((1 - np.cos(x)) / x, rel=1e-9)


@pytest.mark.parametrize("text", ["fixed", "fixed:-1", "ahead", "measured:3", ""])
def test_bad_lead_is_refused(text):
    """Only none, fixed:MS and measured are leads."""
    with pytest.raises(UsageError, match="fixed:MS"):
        parse_lead(text)
