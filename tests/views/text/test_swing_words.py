"""Swings in words."""

import pytest

from looptime.analysers.estimate import Figure
from looptime.controllers import Controller
from looptime.controlling import Controlled
from looptime.controlling.fit import Fit
from looptime.controlling.oscillation import Oscillation
from looptime.views.text.swing_words import swing_words


@pytest.mark.parametrize(
    ("in_loop", "growth", "said"),
    [(True, 1.0, "the loop swings"), (None, 1.0, "half the gains"), (None, 2.0, "swing grows")],
)
def test_a_swing_that_goes_on(in_loop, growth, said):
    """Its figures, where it is seen, and whose it is."""
    swing = Oscillation(
        Figure(1.5, 1.4, 1.6), Figure(), 30, "loop", 2.0, in_loop, 0.0, 10.0, growth
    )
    fit = Fit(Figure(), Figure(), 0.0, False, 0, "", measured="arm", output="out")
    told = swing_words(Controlled(Controller(), fit=fit, oscillation=swing))
    assert "arm swings at 1.50 (1.40 to 1.60) Hz by 2" in told
    assert said in told
