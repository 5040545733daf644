"""What is proposed for a log, and what is left out before it is tried."""

from looptime.planner.play.draft import known
from looptime.planner.search.candidates import candidates
from tests.build_run import make_run

NAMES = {"gyro.read": "sensor read", "range.read": "sensor read", "drive.write": "actuator write"}


def reads(heading_call=None):
    """Fewer reads that are proposed, and what is not, for a loop of two dear reads."""
    calls = [("gyro.read", 0, 3), ("range.read", 3, 3), ("drive.write", 6.5, 1)]
    made, left = candidates(known(make_run([10.0] * 80, calls, NAMES)), None, heading_call)
    fewer = {name for c in made for name in c.calls if c.changes[0].startswith("every ")}
    return fewer, {one.text: one.why for one in left if one.text.startswith("every ")}


def test_the_heading_is_not_read_less_often_by_its_name_alone():
    """Where nobody says which call reads the heading, the one with such a name is spared."""
    fewer, left = reads()
    assert fewer == {"range.read"}
    (why,) = left.values()
    assert why.startswith("by its name it reads the heading")


def test_the_stated_heading_read_is_spared_and_no_other():
    """What is stated wins over a name."""
    fewer, left = reads("range.read")
    assert fewer == {"gyro.read"}
    assert list(left.values()) == ["it reads the heading, which must be young"]
