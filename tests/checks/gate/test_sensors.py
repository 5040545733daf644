"""Values that stand still or are held long, told from made-up signals and readings."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.checks.gate.sensors import _never_changed, _stale, _still_words, sensors
from looptime.signal_names import AGE


def run(**values):
    """A run with these signals."""
    made = {name: np.array(column, float) for name, column in values.items()}
    return SimpleNamespace(signals=SimpleNamespace(values=made))


def reading(name, longest=12, hold=1.0, source="read", fresh=50.0):
    return SimpleNamespace(name=name, fresh_hz=fresh, loop_hz=50.0, hold_loops=hold, source=source,
                           longest_hold_loops=longest, own_pace=True)  # fmt: skip


def stale(*parts, paired=()):
    """State and text of readings in each part of a log."""
    found = _stale([SimpleNamespace(freshness=part) for part in parts], "a.csv", paired)
    return found.state, found.text


def test_what_is_the_same_in_twenty_rows_of_every_run_never_changed():
    """Rows without a value tell nothing; nor does a run that holds no signals."""
    still, short = [2.5] * 20 + [np.nan] * 5, [2.5] * 19 + [np.nan] * 5
    empty = SimpleNamespace(signals=None)
    assert _never_changed([run(range_m=still, kp=still), empty]) == ["range_m"]
    assert _never_changed([run(range_m=short)]) == []
    assert _never_changed([run(range_m=still), run(range_m=[*still, 2.6])]) == []
    assert _never_changed([run(range_m=[*still, 2.6]), run(range_m=still)]) == []
    assert _never_changed([run(range_m=still), run(range_m=short)]) == ["range_m"]


@pytest.mark.parametrize("value", [0.0, 1.0])
def test_a_switch_is_a_value_of_nought_or_one_that_is_no_known_quantity(value):
    assert _never_changed([run(bench=[value] * 20, distance=[value] * 20)]) == ["distance"]
    assert _never_changed([run(bench=[value + 0.5] * 20)]) == ["bench"]


def test_likes_that_moved_are_named_beside_one_that_did_not():
    """Of four wheels two stand still, and first the one that is asked for."""
    still, moved = [2.5] * 20, range(20)
    wheels = run(wheel_1_deg=still, wheel_2_deg=moved, wheel_3_deg=moved, lift_mm=still)
    assert _still_words([wheels], ["wheel_1_deg", "lift_mm"]) == (
        "wheel_1_deg never changed while wheel_2_deg and wheel_3_deg did, nor did lift_mm"
    )
    assert _still_words([wheels], ["wheel_1_deg"]).endswith("wheel_3_deg did")
    assert _still_words([run(a_mm=still, lift_mm=still)], ["a_mm", "lift_mm"]) == (
        "a_mm and lift_mm never changed"
    )


def test_the_worst_part_of_a_log_tells():
    """Each reading by the part in which it is held longest, whichever comes first."""
    held, new, once = [reading("gyro", 6)], [reading("gyro", 5)], [reading("gyro", None)]
    for parts in ([held, new], [new, held], [held, once], [once, held]):
        assert stale(*parts) == ("bad", "gyro is new 50 times a second, held 6 loops")
    assert stale(new, new) == ("ok", "1 reading or signal is new as usual")
    assert stale([reading("gyro", None), reading("lift", 3)])[1].startswith("2 readings and")


def test_a_signal_that_rests_is_told_unless_its_target_tells():
    """By the longest of them; one with a target may rest while that does."""
    rests = [reading(name, longest, source="signal") for name, longest in
             (("heading", 40), ("mast", 1300), ("lift", 90))]  # fmt: skip
    assert stale(rests)[1].startswith(
        "heading, mast and lift stayed the same for up to 1,300 loops"
    )
    assert stale(rests, paired={"heading", "mast"})[1].startswith(
        "lift stayed the same for up to 90"
    )
    assert stale(rests, paired={"heading", "mast", "lift"})[0] == "ok"


def test_a_signal_that_is_set_is_judged_by_nobody():
    """It is what the code asks for; a reading of that name is read."""
    assert stale([reading("goal_deg", 60, source="signal")])[0] == "not judged"
    assert stale([reading("goal_deg", 60)])[0] == "bad"


def test_a_signal_is_slow_if_new_in_less_than_half_of_the_loops():
    """A reading that is held is told before, and three of each at most."""
    slow = [reading(f"s{k}", hold=2.1, source="signal") for k in range(4)]
    text = "; ".join(f"s{k} is new in one of 2.1 loops" for k in range(3))
    assert stale(slow) == ("not judged", f"{text}: its own pace, or too slow: can't tell")
    assert stale([reading("s0", 10, hold=2.0, source="signal")])[0] == "ok"
    held = [reading(f"r{k}", 60) for k in range(4)]
    text = "; ".join(f"r{k} is new 50 times a second, held 60 loops" for k in range(3))
    assert stale([*slow, *held]) == ("bad", text)


def hangs(name, sure=True, others=()):
    return SimpleNamespace(
        name=name, value=2.5, seconds=4.0, target="goal", others=others, sure=sure
    )


def judged(monkeypatch, run_, *stuck, readings=()):
    """The line of the checklist, where these were found to stand still as their targets moved."""
    monkeypatch.setattr("looptime.checks.gate.sensors.hung", lambda runs: list(stuck))
    found = sensors([run_], [SimpleNamespace(freshness=readings)], "a.csv")
    return found.state, found.text, found.action


MOVED = run(lift_mm=range(20))
LOOK = "changes when what it measures is moved by hand"


def test_two_that_surely_hang_are_named(monkeypatch):
    """Before anything else; one that may hang is no cross."""
    stuck = [hangs("lift"), hangs("mast", others=("arm", "belt")), hangs("hatch")]
    said = "{} hangs, or what it measures does not move: it stayed at 2.5 for 4 s while its target "
    said = f"{said}goal moved"
    state, text, action = judged(monkeypatch, MOVED, hangs("x", sure=False), *stuck)
    assert (state, action) == ("bad", f"see whether lift {LOOK}")
    assert text == f"{said.format('lift')}; {said.format('mast')} and arm and belt followed"
    assert judged(monkeypatch, MOVED, hangs("x", sure=False))[0] == "not judged"


def test_what_never_changed_is_told_beside_what_else_is_not_judged(monkeypatch):
    """First that whose target moved, then that whose likes did; a cross goes before."""
    still = [2.5] * 20
    one = run(a_mm=still, wheel_1_deg=still, wheel_2_deg=range(20), z_mm=still)
    state, text, action = judged(monkeypatch, one, hangs("z_mm", sure=False))
    assert (state, action) == ("not judged", f"see that z_mm {LOOK}, and log it")
    assert text.startswith("z_mm, wheel_1_deg and a_mm never changed: nothing to measure, or a")
    slow = [reading("range", hold=2.1, source="signal")]
    state, text, action = judged(monkeypatch, one, readings=slow)
    assert (state, action) == ("not judged", "see whether range is to be new as rarely as that")
    assert text.startswith("wheel_1_deg never changed while wheel_2_deg did, nor did a_mm and z_mm")
    assert text.endswith(
        "; range is new in one of 2.1 loops: its own pace, or too slow: can't tell"
    )
    assert judged(monkeypatch, one, readings=[reading("gyro", 6)])[0] == "bad"
    assert judged(monkeypatch, MOVED, readings=slow)[1].startswith("range is new")


@pytest.mark.parametrize("name", ["battery_v", "vbat", f"range{AGE}", "target_m", "retries"])
def test_what_may_never_change(name):
    """A battery, an age, what is set and what is counted."""
    assert _never_changed([run(**{name: [12.4] * 20})]) == []
