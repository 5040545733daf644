"""Rules that are checked once a loop, from the gaps they leave: planted, and worked by hand."""

import numpy as np
import pytest

from looptime.stats import mechanism as mechanisms
from looptime.stats.mechanism import _best_covers, mechanism


def loops(n, seed=1, low=8.0, high=12.0):
    """Instants of the checks [ms]."""
    return np.cumsum(np.random.default_rng(seed).uniform(low, high, n))


def fired(check, rule, every, took):
    """Loops in which a rule fires, and when it ended there."""
    made, last, due = [], 0.0, every
    for k, now in enumerate(check):
        if (now >= due) if rule == "timetable" else (now - last >= every):
            made.append(k)
            last = now + (took[k] if rule == "since end" else 0.0)
            due += every * (1 + (now - due) // every)
    made = np.array(made)
    return made, check[made] + took[made]


@pytest.mark.parametrize("rule", ["since start", "since end", "timetable"])
@pytest.mark.parametrize("every", [37.0, 100.0, 990.0])
def test_each_clock_is_told_with_its_interval(rule, every):
    """Calls of 0.5 to 4 ms in loops of 8 to 12 ms, over 200 s."""
    check = loops(20_000)
    took = np.random.default_rng(2).uniform(0.5, 4, len(check))
    made, end = fired(check, rule, every, took)
    found = mechanism(check, made, end, 0.02)
    assert found.name == rule
    assert found.value == pytest.approx(every, rel=0.01)
    assert found.explained == 1


def test_the_bounds_are_those_of_the_gaps():
    """Three gaps by hand: not yet after 20, 21 and 19 ms, then after 25, 24 and 26: 21 to 24."""
    check = np.array([0, 20, 25, 46, 49, 68, 75, 95, 100, 121, 124, 145, 148.0])
    made = np.array([0, 2, 4, 6, 8, 10, 12])
    found = mechanism(check, made, check[made], 0.0)
    (start,) = [r for r in found.could_be if r.name == "since start"]
    assert (start.low, start.high) == (21, 24)


def test_every_so_many_loops_with_turns_left_out():
    """Every 7 loops, one turn in twelve left out: still every 7, none of the gaps breaks it."""
    check = loops(4000)
    made = np.delete(np.arange(3, 4000, 7), slice(5, None, 12))
    found = mechanism(check, made, check[made] + 1, 0.02)
    assert (found.name, found.value, found.explained) == ("loops", 7, 1)


def test_equal_loops_leave_it_open():
    """Where all loops are 10 ms long, 5 loops and 50 ms are the same."""
    check = np.arange(1000) * 10.0
    made = np.arange(4, 1000, 5)
    found = mechanism(check, made, check[made] + 1, 0.02)
    assert found.name == "unknown"
    assert {"loops", "since start"} <= {rule.name for rule in found.could_be}


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3])
def test_chance_keeps_no_rule(share):
    """Made at random in a share of the loops, in ten series."""
    for seed in range(10):
        check = loops(3000, seed)
        made = np.flatnonzero(np.random.default_rng(seed).random(3000) < share)
        assert mechanism(check, made, check[made] + 1, 0.02).name == ""


def test_few_occurrences_keep_no_timetable():
    """Six at random fit two free values often: no timetable is told of them."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        check = loops(60, seed)
        made = np.sort(rng.choice(60, 6, replace=False))
        assert mechanism(check, made, check[made] + 1, 0.02).name != "timetable"


def test_gaps_across_a_joint_say_nothing():
    """Two stretches of a run, an hour apart: the gap between them is not held against the rule."""
    check = loops(4000)
    took = np.random.default_rng(2).uniform(0.5, 4, 4000)
    made, end = fired(check, "since start", 100.0, took)
    late = np.where(np.arange(4000) >= 2000, 3.6e6, 0.0)
    joined = np.arange(3999) != 1999
    found = mechanism(check + late, made, end + late[made], 0.02, joined)
    assert found.name == "since start"
    assert found.explained == 1


def test_four_are_enough_where_they_are_rare():
    """Four in 2000 loops, each 5 s after the last: once in a thousand by chance, or less."""
    check = loops(2000)
    made, end = fired(check, "since start", 4900.0, np.full(2000, 40.0))
    assert len(made) == 4
    assert "since start" in {rule.name for rule in mechanism(check, made, end, 0.02).could_be}
    often = np.array([3, 8, 13, 18])
    assert mechanism(check, often, check[often], 0.02).name == ""


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_few(count):
    """Five, each five loops after the last, show nothing yet."""
    check = loops(100)
    made = np.arange(count) * 5
    assert mechanism(check, made, check[made], 0.02).name == ""


@pytest.mark.parametrize("whole", [True, False], ids=["edges that meet", "edges apart"])
def test_the_best_cover_is_that_of_a_walk_along_the_edges(whole: bool) -> None:
    """Every row's cover and the stretch that has it are those of counting edge by edge."""
    rng = np.random.default_rng(6)
    low = rng.integers(0, 30, (40, 25)).astype(float) if whole else rng.normal(0, 1, (40, 25))
    high = low + (rng.integers(0, 9, low.shape) if whole else rng.random(low.shape))
    covered, first, last = _best_covers(low, high)
    for row in range(len(low)):
        edges = sorted([(at, 0) for at in low[row]] + [(at, 1) for at in high[row]])
        cover = np.cumsum([1 - 2 * ends for _, ends in edges])
        best = int(np.argmax(cover))
        expected = (cover[best], edges[best][0], edges[best + 1][0])
        assert (covered[row], first[row], last[row]) == expected


def test_gaps_that_never_adjoin_fit_no_timetable():
    """Where every other gap is unknown, no stretch is long enough to lay a timetable over."""
    check = np.arange(400.0)
    made = np.arange(0, 400, 7)
    joined = np.ones(399, bool)
    joined[3::14] = False
    found = mechanism(check, made, check[made] + 0.1, 0.01, joined)
    assert found.name in ("", "unknown", "loops", "since start", "since end")


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("rule", ["timetable", "since start", "loops", "chance"])
@pytest.mark.parametrize("loops", [300, 6000])
def test_the_first_occurrences_rule_out_no_timetable_that_holds(seed, rule, loops, monkeypatch):
    """What occurrences say is the same whether or not the first are looked at before."""
    rng = np.random.default_rng(seed)
    check = np.cumsum(rng.uniform(8.0, 12.0, loops))
    made, last, due = [], 0.0, 50.0
    for k, now in enumerate(check):
        if (
            (rule == "timetable" and now >= due)
            or (rule == "since start" and now - last >= 50)
            or (rule == "loops" and k % 5 == 0)
            or (rule == "chance" and rng.random() < 0.2)
        ):
            made.append(k)
            last, due = now, 50.0 * (now // 50 + 1)
    rows = np.array(made)
    found = mechanism(check, rows, check[rows] + 0.5, 0.02)
    monkeypatch.setattr(mechanisms, "_out_of_reach", lambda *_: False)
    assert found == mechanism(check, rows, check[rows] + 0.5, 0.02)
    assert ("timetable" in [r.name for r in found.could_be]) == (rule == "timetable")


def test_a_clock_that_stands_still_has_no_timetable():
    """Of what is made at one instant again and again the gaps are as long as none."""
    check = np.repeat(np.arange(0.0, 200.0, 10.0), 6)
    made = np.arange(0, len(check), 3)
    assert mechanism(check, made, check[made], 0.0).name != "timetable"
    check[:] = 5.0
    assert mechanism(check, made, check[made], 0.0).name != "timetable"


def test_a_timetable_s_interval_lies_in_the_stretch_that_is_told():
    """Whatever interval was planted: no instant lies outside the loop in which it was seen."""
    for seed in range(40):
        every = float(np.random.default_rng(seed).uniform(90, 400))
        check = loops(800, seed)
        made, end = fired(check, "timetable", every, np.full(800, 0.5))
        found = mechanism(check, made, end, 0.02).could_be
        [rule] = [rule for rule in found if rule.name == "timetable"]
        assert rule.low <= every <= rule.high
        assert 0 < rule.high - rule.low < 0.02 * every


@pytest.mark.parametrize("off", [-4, 3])
@pytest.mark.parametrize(("rule", "every"), [("since start", 400.0), ("since end", 400.0)])
def test_one_in_another_s_place_is_one_exception(rule, every, off):
    """A pause beside the tenth hides it: the two gaps around it are both wrong by as much."""
    check = loops(1400, 5)
    made, end = fired(check, rule, every, np.full(1400, 2.0))
    made[9] += off
    end[9] = check[made[9]] + 2.0
    found = mechanism(check, made, end, 0.02)
    assert {one.name: one.broken for one in found.could_be}[rule] == 1
    near = {one.name: one.value for one in found.could_be}[rule]
    assert near == pytest.approx(every, abs=1.0)


def test_one_in_between_is_one_exception():
    """Every 30th loop, and once the one after: two gaps are wrong, one occurrence is."""
    check = loops(1400, 6)
    made = np.sort(np.append(np.arange(29, 1400, 30), 180))
    found = mechanism(check, made, check[made] + 2.0, 0.02)
    assert {one.name: one.broken for one in found.could_be}["loops"] == 1
