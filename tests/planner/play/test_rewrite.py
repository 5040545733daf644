"""The run that a plan makes."""

from looptime.planner.play.replay import replay
from looptime.schema import CallName
from tests.planner.play.build import plain


def test_names_survive_in_labels():
    """A moved call is on its new bus in the prediction."""
    predicted = replay(plain(), ["move enc.* bus=aux"])
    assert {n.name: n.bus for n in predicted.names}["enc.a"] == "aux"
    assert isinstance(predicted.names[0], CallName)
