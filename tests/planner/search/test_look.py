"""What a pattern of call names stands for."""

import pytest

from looptime.planner.search.look import pattern_for


@pytest.mark.parametrize(
    ("names", "others", "pattern"),
    [
        (["a.l.read", "a.r.read"], ["b.read"], ("a.*.read",)),
        (["a.l.read", "a.r.read"], ["a.x.read"], ("a.l.read", "a.r.read")),
        (["a[1].read", "a[2].read"], [], ("a[1].read", "a[2].read")),
    ],
)
def test_patterns_mean_just_these(names, others, pattern):
    """A pattern is used only where it matches nothing else."""
    assert pattern_for(names, others) == pattern
