"""What limits an answer: which phase is told of, and which is the slowest."""

from types import SimpleNamespace

import pytest

from looptime.views.text.answer_limits import _of_phases


def phase(name, loops, usual_ms):
    """A summary with what is asked of a phase: its loops and the usual period."""
    return SimpleNamespace(
        phase=name, pacing=SimpleNamespace(fixed_rate=False), costs=SimpleNamespace(calls=()),
        pace=SimpleNamespace(
            loops=loops, period_ms=SimpleNamespace(p50=SimpleNamespace(value=usual_ms))
        ),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("loops", "said"),
    [(1, ""), (19, ""), (20, "; the slowest is standby: 12.0 ms")],
)
def test_a_phase_of_a_few_loops_is_not_the_slowest(loops, said):
    """8 ms beside 12 ms: twenty loops have a middle, the one before the first phase has none."""
    told = _of_phases([phase("auto", 500, 8.0), phase("standby", loops, 12.0)], 0)
    assert told == f"phase auto alone, of 2{said}"
