"""What the page says of each remedy; no browser is needed."""

from looptime_dashboards.pages.changes_page import remedies

from looptime.analysers.estimate import Figure
from looptime.planner.search.look import Candidate
from looptime.planner.search.proposals import Proposal, Suggestions


def plan(*changes: str, gain: float, why: str = "") -> Proposal:
    """A plan that changes the mean by so much [ms]."""
    return Proposal(
        changes, Figure(gain, gain - 0.2, gain + 0.6), 9.0, 10.0, 1.0, "medium", why, None, {}
    )


def test_a_change_too_small_to_be_seen_is_called_none() -> None:
    """0.03 ms of 10 ms are 0.3 %, less than two runs of the same code differ by."""
    change = "later gyro.read before=wheel.set"
    found = Suggestions(
        {"mean": 10.0, "p99": 12.0}, {"mean": 8.0, "p99": 9.0},
        (plan(change, gain=0.03, why="a younger reading"),), (), (), (), (), 100, 100,
    )  # fmt: skip
    told = remedies(found)[change]
    assert told == "no change of the mean that would be seen; risk medium; a younger reading"


def test_each_change_says_what_it_rests_on() -> None:
    """One that goes only with another names it, and what both buy; one alone has its own gain."""
    both = ("move gyro.read bus=aux", "thread gyro.read")
    drop = "every mast.read loops=4"
    found = Suggestions(
        {"mean": 10.0, "p99": 12.0}, {"mean": 8.0, "p99": 9.0},
        (plan(*both, gain=-1.5), plan(drop, gain=-0.5, why="changes slowly"),
         plan("on-change wheel.set", *both, gain=-3.0)),
        (Candidate(both, frozenset(("gyro.read",)), "bus 'aux' is idle", "medium", 9.0),
         Candidate((drop,), frozenset(("mast.read",)), "changes slowly", "low", 1.0),
         Candidate(("on-change wheel.set",), frozenset(("wheel.set",)), "repeats", "low", 2.0)),
        (), (), (), 100, 100, judged="work",
    )  # fmt: skip
    told = remedies(found)
    assert told[both[0]] == (
        "together with thread gyro.read: 1.50 ms less of work a loop (0.9 to 1.70); risk medium; "
        "bus 'aux' is idle"
    )
    assert told[both[1]].startswith(
        "together with move gyro.read bus=aux: 1.50 ms less of work a loop (0.9 to"
    )
    assert told[drop] == (
        "0.5 ms less of work a loop (0.7 less to 0.1 more); risk medium; changes slowly"
    )
    assert told["on-change wheel.set"] == "risk low; repeats"
