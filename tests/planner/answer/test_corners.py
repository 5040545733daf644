"""A plan is played once at each setting that can matter."""

import pytest

from looptime.planner.answer import corners
from looptime.planner.changes import parse_all
from looptime.planner.play import replay
from looptime.planner.play.draft import known
from looptime.planner.play.replay import play
from tests.planner.play.threaded import LABELS, robot


@pytest.mark.parametrize(
    "plan", ["drop motor.a", "batch motor.*", "thread gyro.read", "pace hz=110"]
)
def test_each_setting_is_played_once(plan, monkeypatch):
    """The figures are those of a play of every setting, and none is played twice."""
    at, changes, asked = known(robot(60), {}), parse_all([plan]), []

    def counted(draft, arranged):
        asked.append(draft.setting)
        return played_once(draft, arranged)

    played_once = replay._played
    monkeypatch.setattr(replay, "_played", counted)
    central, settings, played = corners.play_all(at, changes)
    assert len(asked) == len(set(asked))
    assert set(asked) <= {corners.Setting(), *settings.all}
    assert tuple(played) == settings.all
    assert central.ranges == play(at, changes).ranges
    for setting, found in played.items():
        assert found.run.calls.equals(play(at, changes, setting).run.calls)


def test_a_lock_is_not_tried_where_no_bus_is_shared(monkeypatch):
    """A thread whose bus nobody named: the lock's ends are played where it shares the bus only."""
    unnamed = {name: {k: v for k, v in of.items() if k != "bus"} for name, of in LABELS.items()}
    asked = []

    def counted(draft, arranged):
        asked.append(draft.setting)
        return played_once(draft, arranged)

    played_once = replay._played
    monkeypatch.setattr(replay, "_played", counted)
    at = known(robot(60, labels=unnamed), {})
    _, settings, _ = corners.play_all(at, parse_all(["thread gyro.read rest-ms=5"]))
    assert {one.shared for one in settings.middle} == {0.0, 1.0}
    assert {one.lock for one in asked if one.shared == 0.0} == {"middle"}
    assert len({one.lock for one in asked if one.shared == 1.0}) == 3
