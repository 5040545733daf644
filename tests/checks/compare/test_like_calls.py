"""A call that one side does not make takes nothing there, in comparisons and in the gate."""

import pytest

from looptime.checks.compare.change import Tolerance
from looptime.checks.gate.gate import gate
from tests.checks.build import CALLS, recording
from tests.checks.compare.build import SETTINGS, compare_sides, made_sides
from tests.checks.gate.build import baseline_runs, row_named


def without(*names, **more):
    return {k: v for k, v in CALLS.items() if k not in names} | more


def sides(old, new, runs):
    """As many runs a side, 0.2 % apart and in turn; the calls of each side are given."""
    made = ([], [])
    for k in range(2 * runs):
        side = (k + 1) // 2 % 2
        made[side].append(recording(40 + k, 2600, 1 + 0.002 * (-1.0) ** k, (old, new)[side],
                                    time=f"2026-03-01T10:{k:02}"))  # fmt: skip
    return made


def ranked(found):
    return {c.call: c for c in found.ranking if c.statistic == "mean"}


def call_row(found, name):
    return next(c for c in found.calls if c.call == name and c.statistic == "mean")


@pytest.mark.parametrize("runs", [1, 3])
def test_a_call_that_came_is_ranked_from_nothing(runs):
    """2 ms of a camera that was not read before: 0 to 2, no percent of nothing; and back."""
    old, new = sides(CALLS, without(camera=2.0), runs)
    there, back = compare_sides(old, new), compare_sides(new, old)
    row = ranked(there)["camera"]
    assert (row.before, row.percent.value, row.verdict) == (0.0, None, "slower")
    assert row.after == pytest.approx(2.0, rel=0.01)
    assert row.difference.low < row.after < row.difference.high
    assert set(ranked(there)) == set(ranked(back)) == {"camera"}
    gone = ranked(back)["camera"]
    assert (gone.after, gone.verdict) == (0.0, "faster")
    assert gone.percent.value == pytest.approx(-100, rel=0.02)


@pytest.mark.parametrize("runs", [1, 3])
@pytest.mark.parametrize(
    "new",
    [
        without("mast.position.read", height=0.8),
        without("drive.encoders.read", left=1.2, right=1.2),
        without("drive.motors.write", **{"drive.motors.write": 2.0, "drive.pack": 1.0}),
    ],
)
def test_the_same_cost_under_other_names_is_no_change(new, runs):
    """A new name, one call split in two, and a part timed anew: nothing is slower or faster."""
    old, new = sides(CALLS, new, runs)
    for a, b in ((old, new), (new, old)):
        assert not compare_sides(a, b).ranking


@pytest.mark.parametrize("runs", [1, 3])
def test_a_call_under_another_name_that_costs_more_is_one_series(runs):
    """3.0 ms to 3.2 ms, 6.7 % by hand, of a write that has another name since."""
    new = without("drive.motors.write", **{"wheels.write": 3.2})
    found = ranked(compare_sides(*sides(CALLS, new, runs)))
    assert set(found) == {"wheels.write"}
    assert found["wheels.write"].before == pytest.approx(3.0, rel=0.01)
    assert found["wheels.write"].percent.value == pytest.approx(6.7, abs=0.6)


def test_nothing_changed_gives_no_row():
    """Three runs a side of the same calls, and none is held against nothing."""
    found = compare_sides(*made_sides())
    assert not found.ranking
    assert {c.call for c in found.calls} == {*CALLS, "unattributed"}
    assert not any("no such call" in c.note for c in found.calls)


def test_the_gate_holds_a_new_call_against_nothing():
    """1 ms that is new fails with a limit above 0 and no percent; dropped, it passes."""
    old, new = baseline_runs(8), recording(7, calls=without(camera=1.0), robot="tray-carrier")
    found = gate([new], old, settings=SETTINGS)
    row = row_named(found, "camera mean")
    assert (row.verdict, row.change_percent) == ("fail", None)
    assert row.change_ms == pytest.approx(1.0, rel=0.02)
    assert 0 < row.limit < 1
    assert "no such call before" in row.note
    less = recording(7, calls=without("mast.position.read"), robot="tray-carrier")
    row = row_named(gate([less], old, settings=SETTINGS), "mast.position.read mean")
    assert (row.verdict, row.value) == ("pass", 0.0)
    assert row.change_percent == pytest.approx(-100, abs=0.5)


def test_the_gate_lets_a_new_name_pass():
    """0.8 ms under another name is one row, held against what it was."""
    new = recording(7, calls=without("mast.position.read", height=0.8), robot="tray-carrier")
    found = gate([new], baseline_runs(8), settings=SETTINGS, tolerance=Tolerance())
    assert found.verdict == "pass"
    row = row_named(found, "height mean")
    assert abs(row.change_percent) < 3
    assert not [r for r in found.rows if r.call == "mast.position.read"]
