"""What becomes of the ticks after late loops, from loops whose starts follow from a rule."""

import numpy as np
import pytest

from looptime.analysers.after_late import (
    AfterLate,
    _in_slots,
    _made_up,
    _made_up_in_the_end,
    after_late,
    late_loops,
)
from looptime.analysers.pacing import pacing
from looptime.findings import summarise
from tests.build_run import make_flat_run

TICK = 20.0


def paced(rule, work, held):
    """Loops of a tick of 20 ms [ms]: work, and how long after their tick they are woken.

    ``grid`` sleeps until the next tick of a grid, ``anew`` until a tick after its own start, and
    ``each`` makes one loop of every tick.
    """
    begin = np.zeros(len(work) + 1)
    for k in range(len(work)):
        done = begin[k] + work[k]
        ends = {"grid": TICK * (np.floor(done / TICK + 1e-9) + 1), "anew": begin[k] + TICK,
                "each": TICK * (k + 1)}[rule]  # fmt: skip
        begin[k + 1] = max(done, ends + held[k])
    return np.diff(begin)


def some(value, n=400, every=40, usual=0.0):
    """The usual value, and another in every so many loops."""
    made = np.full(n, usual)
    made[every // 2 :: every] = value
    return made


def with_wait(period, work):
    """A run of loops with their work and their wait in rows [ms]."""
    ns = {"work": (1e6 * work).astype(np.int64), "pace": (1e6 * (period - work)).astype(np.int64)}
    return make_flat_run((1e6 * period).astype(np.int64) + 1, ns, {"pace": "pacing"})


@pytest.mark.parametrize(
    ("rule", "work", "held", "becomes", "share", "made_up"),
    [
        ("grid", 45.0, 0.0, "skips", 1.0, 0),
        ("grid", 8.0, 34.5, "skips", 1.0, 0),
        ("grid", 8.0, 26.0, "skips", 1.0, 0),
        ("grid", 8.0, 7.0, "catches up", 1.0, 10),
        ("anew", 45.0, 0.0, "skips", 0.0, 0),
        ("anew", 8.0, 34.5, "skips", 0.0, 0),
        ("anew", 8.0, 7.0, "skips", 0.0, 0),
        ("each", 45.0, 0.0, "catches up", 1.0, 10),
        ("each", 8.0, 34.5, "catches up", 1.0, 10),
    ],
)  # fmt: skip
def test_each_rule_is_told_by_work_and_by_late_wakes(rule, work, held, becomes, share, made_up):
    """Every 40th of 400 loops works for 45 ms, or is woken 7 or 34.5 ms late.

    On a grid the loop after it is as much shorter, or waits for a later tick.
    """
    period = paced(rule, some(work, usual=8.0), some(held))
    found = late_loops(period, TICK, TICK, 0.05, 2.0, 0.0)
    assert (found.becomes, found.slot_share, found.made_up) == (becomes, share, made_up)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_late_wakes_and_long_work_on_a_grid_have_one_answer(share):
    """However many of 40 long loops were held up in their wait, each misses ticks of the grid."""
    rng = np.random.default_rng(3)
    work, held = rng.normal(8.0, 0.2, 2000), np.abs(rng.normal(0, 0.02, 2000))
    for k in range(25, 2000, 50):
        (held if rng.random() < share else work)[k] += rng.uniform(26, 38)
    run = with_wait(paced("grid", work, held), work)
    found = pacing(run)
    assert found.mode == "fixed rate, skips"
    assert found.slot_share == 1.0
    assert abs(found.rate_error_ppm) < 50  # short ones after late ones are none in time
    (text,) = [f.text for f in summarise(run).findings if f.code == "pacing_skips"]
    assert text.startswith("A loop that is late loses its slot")
    assert "starts anew" not in text


def test_a_loop_that_counts_from_its_own_start_starts_anew():
    """The same held up now and then, whose rate goes on from where it was late."""
    rng = np.random.default_rng(4)
    work, held = rng.normal(8.0, 0.2, 2000), np.abs(rng.normal(0, 0.02, 2000))
    held[25::50] += rng.uniform(26, 38, 40)
    run = with_wait(paced("anew", work, held), work)
    (text,) = [f.text for f in summarise(run).findings if f.code == "pacing_skips"]
    assert "after a late loop the rate starts anew" in text


def test_only_ticks_that_were_missed_are_lost():
    """Of four late loops on a grid two miss a tick or two; the log ends in the last."""
    period = np.full(60, TICK)
    period[[10, 11, 20, 21, 30, 31]] = [26, 14, 54.5, 25.5, 48, 12]
    period[59] = 33.0
    assert after_late(period, TICK, period > 22, 0.1) == AfterLate(3, 3, 1, 2, 0)
    assert after_late(period, TICK, period > 22, 2.0) is None
    assert after_late(period[:10], TICK, period[:10] > 22, 0.1).share is None


def test_late_loops_of_whole_slots():
    """Two or three periods of 20 ms, a tenth more or less; one of one and a half is none."""
    assert _in_slots(np.array([]), 20.0) is None
    assert _in_slots(np.array([40.0, 41.9, 58.1, 60.0]), 20.0) == 1.0
    assert _in_slots(np.array([40.0, 30.0, 42.1, 21.0]), 20.0) == 0.25


@pytest.mark.parametrize(
    ("behind", "made_up"),
    [([15, 15, 20], True), ([15, 14.9, 20], True), ([15.1, 15, 20], False), ([20, 20, 10], True),
     ([20] * 5 + [5], True), ([20] * 6 + [5], False), ([], False)],
)  # fmt: skip
def test_what_a_late_loop_lost_is_made_up_soon(behind, made_up):
    """Of 20 ms lost at least half, within as many loops as four times that, and two more.

    At the end of the run nothing can. Four times 21 ms are part of a fifth loop.
    """
    period = np.array([20.0, 40.0, *behind])
    assert _made_up(period, np.array([1]), 20.0) == made_up
    assert _made_up(np.array([20.0, 41.0] + [20.0] * 6 + [5.0]), np.array([1]), 20.0)


def stretches(*parts, n=60, at=10, every=10):
    """Loops of 20 ms, with so many of other lengths one after another [ms]."""
    period = np.full(n, TICK)
    for k, part in enumerate(parts):
        period[at + every * k :][: len(part)] = part
    return period


@pytest.mark.parametrize(
    ("part", "wide", "counts"),
    [
        ([50.8, 30.0], 0.1, (1, 1, 0, 1, 0)), ([51.2, 30.0], 0.1, (1, 0, 0, 0, 0)),  # 1 ms off
        ([51.4, 30.0], 0.5, (1, 1, 0, 1, 0)), ([51.6, 30.0], 0.5, (1, 0, 0, 0, 0)),  # 1.5 ms
        ([50.8, 30.0], 0.8, (1, 1, 0, 1, 0)), ([50.8, 30.0], 1.5, None),  # 2.4 ms, and 4.5
        ([54.5], 0.1, (1, 0, 0, 0, 0)), ([39.5], 0.1, (1, 1, 0, 1, 0)),
        ([38.5, 21.5], 0.1, (1, 1, 0, 0, 0)), ([39.3, 21.2], 0.1, (1, 1, 0, 1, 0)),
        ([30.0, 30.0], 0.1, (1, 1, 0, 0, 0)),  # a tick was missed, but by two loops together
        ([46.0, 10.0, 4.0], 0.1, (1, 1, 1, 0, 1)), ([15.0, 25.0], 0.1, (1, 1, 1, 0, 0)),
        ([21.5, 18.5], 0.1, (0, 0, 0, 0, 0)), ([], 0.1, (0, 0, 0, 0, 0)),
    ],
)  # fmt: skip
def test_where_starts_lie_after_one_stretch(part, wide, counts):
    """Sums of a tick of 20 ms more or less, to so much as a twentieth or thrice the scatter."""
    period = stretches(part)
    found = after_late(period, TICK, period > 22, wide)
    assert found == (None if counts is None else AfterLate(*counts))


def test_first_and_last_loops_count_as_far_as_the_log_goes():
    """A late loop is the first, another is over with the last loop but one."""
    period = stretches([46.0, 14.0], [46.0, 14.0], at=0, every=57)
    assert after_late(period, TICK, period > 22, 0.1) == AfterLate(2, 2, 0, 2, 0)


def told(period, wide=0.05, clock=0.0, rule="", *, steady=True):
    return late_loops(period, TICK, TICK, wide, 2.0, clock, rule, steady=steady)


def test_short_loops_are_in_time_where_they_make_up_for_late_ones():
    """Five loops miss a tick and five only hurry up the next; or each makes up for one."""
    period = stretches(*[[46.0, 14.0], [27.0, 13.0]] * 5, n=120)
    found = told(period)
    assert (found.becomes, found.made_up, found.slot_share) == ("skips", 5, 1.0)
    assert found.in_time.sum() == 100
    found = told(stretches(*[[27.0, 13.0]] * 10, n=120))
    assert (found.becomes, found.made_up, found.in_time.sum()) == ("catches up", 10, 110)


def test_a_clock_that_is_coarse_widens_what_counts_as_on_the_tick():
    """Starts that come back 2.5 ms from the old ticks do so within a clock's 3 ms."""
    period = stretches(*[[52.5, 30.0]] * 4)
    assert told(period).slot_share == 0.0
    assert told(period, clock=3.0).slot_share == 1.0


def test_few_late_loops_tell_no_rule():
    """Three tell; of two it is told only that the loops soon after each make up for it."""
    for count, becomes in ((3, "skips"), (2, "")):
        assert told(stretches(*[[46.0, 14.0]] * count)).becomes == becomes
        assert told(stretches(*[[46.0, 20.0]] * count), steady=False).becomes == becomes
    made_up = [46.0, 8.0, 6.0]
    for parts, becomes in (
        ([made_up] * 2, "catches up"), ([made_up, [46.0]], ""), ([[46.0, 14.0, 26.0, 20.0]], ""),
        ([[28.0, 12.0]] * 2, ""), ([made_up, [28.0, 12.0]], "catches up"),
        ([made_up, [46.0, 20.0, 2.0]], ""), ([[46.0, 20.0, 2.0]] * 2, ""),
        ([[46.0, 19.0] + [20.0] * 7] * 2, ""), ([], ""),
    ):  # fmt: skip
        found = told(stretches(*parts, n=400), steady=False)
        assert (found.becomes, found.made_up > 0) == (becomes, becomes != ""), parts
    assert told(stretches([46.0], at=59)).becomes == ""
    assert told(stretches(*[[46.0, 14.0]] * 3), steady=False).becomes == "catches up"


@pytest.mark.parametrize(
    ("caught", "becomes"), [(1, "skips"), (2, "catches up"), (3, "catches up")]
)
def test_most_late_loops_tell_the_rule(caught, becomes):
    """After so many of four late loops the next is shorter, and loops go longer and shorter."""
    parts = [[46.0, 10.0]] * caught + [[46.0, 20.0]] * (4 - caught)
    found = told(stretches(*parts, n=400), steady=False)
    assert (found.becomes, found.slot_share) == (becomes, 0.0)
    assert found.made_up == (caught if becomes == "catches up" else 0)


@pytest.mark.parametrize(
    ("after", "wide", "becomes"),
    [
        (19.3, 0.05, "catches up"),
        (19.5, 0.05, "skips"),
        (18.7, 0.4, "catches up"),
        (19.0, 0.4, "skips"),
    ],
)
def test_shorter_is_what_scatter_does_not_explain(after, wide, becomes):
    """By 3 % of the usual loop, or by three times what usual loops scatter by."""
    assert told(stretches(*[[46.0, after]] * 4), wide, steady=False).becomes == becomes


def test_a_rule_that_is_known_is_kept():
    """Whatever the loops look like; who skips ticks is late from one and a half of them on."""
    skips, catches = stretches(*[[46.0, 14.0]] * 4), stretches(*[[46.0, 8.0, 6.0]] * 4)
    few = stretches(*[[46.0, 8.0, 6.0]] * 2, n=400)
    for period in (skips, catches, skips[:15], catches[:15], stretches(), few):
        assert told(period, rule="catch-up").becomes == "catches up"
        assert told(period, rule="skip").becomes == "skips"
    period = stretches([25.0], [29.0], [31.0], [40.0])
    assert np.flatnonzero(told(period, rule="skip").late).tolist() == [30, 40]
    assert told(period).late.sum() == 4


def test_loops_a_little_longer_are_late_if_the_rest_makes_up_for_all_of_them():
    """Four loops of 21.4 to 21.8 and 15 ms sum to 80: three are longer by more than a twentieth."""
    period = np.tile([21.4, 21.8, 21.8, 15.0], 100)
    found = told(period)
    assert (found.becomes, found.late.sum(), found.made_up) == ("catches up", 300, 100)
    assert found.slot_share == 0.0
    assert told(period, clock=2.0).becomes == ""
    assert told(np.tile([20.9, 19.1], 200)).becomes == ""
    assert told(period, rule="skip").becomes == "skips"


@pytest.mark.parametrize(
    ("more", "made_up", "found"),
    [(100, 100, True), (70, 70, False), (100, 60, True), (100, 40, False)],
)
def test_what_long_loops_took_more_is_not_in_the_sum(more, made_up, found):
    """Of 400 loops of 20 ms a hundredth is 80 ms: more than that, and most of it made up."""
    period = np.full(400, TICK)
    period[:10] += more / 10
    period[200:300] -= made_up / 100
    assert _made_up_in_the_end(period, TICK, period > 21) == found
