"""What a thread holds of a lock that it may take again, with rows lost; H has it, F lets it go."""

import numpy as np
import pytest

from looptime.parsers.layouts.lock_turns import turns

NOBODY = np.array([], int)
TWICE = "HHFF" * 30


@pytest.mark.parametrize(
    ("what", "events", "others", "lost", "stray", "changed"),
    [
        ("nothing", TWICE + "HHFF", [], [], [], (120, 123)),
        ("the inner take", TWICE + "HFF" + "HHFF", [], [], [121], (120, 122)),
        ("an inner release", TWICE + "HHF" + "HHFF", [], [120], [], (123, 126)),
        ("a release, and another had it", TWICE + "HHF" + "HHFF", [122.5], [120], [], (123, 126)),
        ("both releases", TWICE + "HH" + "HHFF", [121.5], [120], [], (122, 125)),
        ("the only take", "HF" * 30 + "F" + "HF", [], [], [60], (61, 62)),
        ("the only release", "HF" * 30 + "H" + "HF", [], [60], [], (61, 62)),
    ],
)
def test_a_lost_row_costs_its_own_turn_alone(what, events, others, lost, stray, changed):
    """After thirty turns one row is missing; the turns around it are as they were."""
    at = 2 * np.arange(len(events))
    had = np.array([event == "H" for event in events])
    found = turns(had, np.array([2 * t for t in others], int), at)
    assert (found.lost, found.stray) == (lost, stray), what
    spans = list(zip(found.begin, found.end, strict=True))
    assert changed in spans
    length = 4 if events.startswith("HH") else 2
    assert spans[:30] == [(length * k, length * (k + 1) - 1) for k in range(30)]
    every = [*found.begin, *found.end, *found.inner, *found.lost, *found.stray]
    assert len(every) == len(set(every))


def test_a_lock_that_is_taken_deeper_now_and_then_keeps_its_turns():
    """Each fifth turn takes it three times, some with a release between."""
    events = ("HF" * 4 + "HHHFFF" + "HHFHFF") * 20
    had = np.array([event == "H" for event in events])
    found = turns(had, NOBODY, np.arange(len(events)))
    assert not found.lost
    assert not found.stray
    assert len(found.begin) == 6 * 20


@pytest.mark.parametrize(("events", "lost"), [("HFH", [2]), ("HHFFHH", [4]), ("HFHFF", [])])
def test_what_is_held_when_the_log_ends_is_no_turn(events, lost):
    """Nobody knows for how long it is; the turns before it are as they were."""
    had = np.array([event == "H" for event in events])
    found = turns(had, NOBODY, np.arange(len(events)))
    assert found.lost == lost
    assert (found.begin[0], found.end[0]) == (0, events.index("FH") if "HHF" not in events else 3)
    assert len(found.begin) == len(found.end)
