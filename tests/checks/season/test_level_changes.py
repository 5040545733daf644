"""Where the level changed between two runs."""

import numpy as np
import pytest
from scipy import stats

from looptime.checks.season.level_changes import cuts_of, p_of_place


def test_a_change_pays_for_every_place_where_it_could_have_been():
    """Sixteen runs have eleven places with three runs on either side."""
    y = np.random.default_rng(9).normal(0, 1, 16)
    y[8:] += 1
    once = stats.ttest_ind(y[:8], y[8:]).pvalue
    assert p_of_place(y, [0, 8, 16], 1) == pytest.approx(min(11 * once, 1.0))
    assert 11 * once < 1


def test_a_change_holds_at_the_level_asked():
    """Five runs and five, 8 deviations apart: seen at one level, not at a stricter one."""
    y = np.random.default_rng(3).normal(0, 1, 10)
    y[5:] += 8
    p = p_of_place(y, [0, 5, 10], 1)
    assert cuts_of(y, 1.01 * p) == [0, 5, 10]
    assert cuts_of(y, 0.99 * p) == [0, 10]
