"""Parts of a run."""

import pytest

from looptime.analysers.part import part, phases
from looptime.errors import UsageError
from tests.build_run import make_run

PHASES = ["standby"] * 4 + ["operator"] * 3 + ["unattended"] * 2


@pytest.fixture
def run():
    """Nine loops of 10 ms in three phases, with a signal."""
    return make_run(
        [10] * 9, [("a", 0, 1)], phases=PHASES, signals={"mode": [0, 0, 0, 0, 1, 1, 2, 2, 2]}
    )


def test_by_phase(run):
    """A phase's loops; phases of work come before idle ones."""
    assert part(run, phase="operator").loop_columns.loop.tolist() == [4, 5, 6]
    assert phases(run) == ("operator", "unattended", "standby")


def test_by_time(run):
    """From a second on and up to one, by the start of the loop."""
    assert part(run, from_s=0.03, to_s=0.06).loop_columns.loop.tolist() == [3, 4, 5]


def test_by_column(run):
    """Loops in which a signal has a value, or has it not; conditions add up."""
    assert part(run, where="mode=1").loop_columns.loop.tolist() == [4, 5]
    assert part(run, where="mode!=0").loop_columns.loop.tolist() == [4, 5, 6, 7, 8]
    assert part(run, where=["mode!=0", "phase=operator"]).loop_columns.loop.tolist() == [4, 5, 6]


def test_nothing_asked_for(run):
    """The run itself."""
    assert part(run) is run


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"phase": "operato"}, "'operator'"),
        ({"from_s": 9.0}, "ask for another part"),
        ({"where": "speed=1"}, "there is: phase, mode"),
        ({"where": "mode=fast"}, "holds numbers"),
        ({"where": "mode"}, "COLUMN=VALUE"),
    ],
)
def test_refusals(run, asked, message):
    """What cannot be done says what can."""
    with pytest.raises(UsageError, match=message):
        part(run, **asked)


def test_no_phases():
    """A log without phases has none to pick."""
    with pytest.raises(UsageError, match="no phases"):
        part(make_run([10]), phase="operator")
