"""What becomes of the ticks after late loops, from loops whose starts follow from a rule."""

import numpy as np
import pytest

from looptime.analysers.after_late import AfterLate, _in_slots, _made_up, after_late, late_loops
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
        ("grid", 8.0, 7.0, "catches up", 1.0, 10),
        ("anew", 45.0, 0.0, "skips", 0.0, 0),
        ("anew", 8.0, 34.5, "skips", 0.0, 0),
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

    At the end of the run nothing can.
    """
    period = np.array([20.0, 40.0, *behind])
    assert _made_up(period, np.array([1]), 20.0) == made_up
