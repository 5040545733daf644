"""A pace that was changed between the sides is said first, and is no change of the work."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.compare.paces import other_pace
from looptime.checks.recording.recording import Settings
from tests.build_run import make_flat_run


def run(hz, seed, work_ms=6.0, logged=True, loops=1500):
    """Loops that begin on a tick of so many a second, after 6 ms of work, give or take 0.3."""
    draw = np.random.default_rng(seed)
    work = (draw.normal(work_ms, 0.3, loops) * 1e6).astype(np.int64)
    period = np.full(loops, int(1e9 / hz))
    parts = {"drive": work} | ({"wait": period - work} if logged else {})
    return make_flat_run(period, parts, {"drive": "other", "wait": "pacing"})


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("runs", [1, 3])
def test_another_pace_is_the_first_sentence(logged, runs):
    """40 and 62.5 Hz are 25 and 16 ms, and the work is the same."""
    before = [run(40, seed, logged=logged) for seed in range(runs)]
    after = [run(62.5, seed + 9, logged=logged) for seed in range(runs)]
    found = compare(before, after, settings=Settings())
    assert found.sentences[0].startswith(
        "The loop is paced at 62.5 Hz instead of 40.0: a pass begins every 16.0 ms instead of 25.0"
    )
    (one,) = [u for u in found.unlike if u.what == "pace"]
    assert one.text[1:] == found.sentences[0][1:-1]
    if found.quantity == "work":
        assert found.verdict in ("no change seen", "can't tell")
        assert not found.ranking


@pytest.mark.parametrize(("old", "new"), [(50, 50.4), (50, 50)])
def test_one_pace_is_not_said_to_be_another(old, new):
    found = compare([run(old, 1)], [run(new, 2)], settings=Settings())
    assert "pace" not in [u.what for u in found.unlike]
    assert "paced" not in found.sentences[0]


def test_loops_that_may_miss_each_second_tick_are_not_said_to_be_set_so():
    """Work of 9.6 ms of a pace of 10: at 50 Hz it may be the same pace, of which ticks are missed.

    Work of 6 ms would have fitted.
    """
    full = compare([run(100, 1)], [run(50, 2, 9.6)], settings=Settings())
    assert "(or its work no longer fits 10.0 ms)" in full.sentences[0]
    fits = compare([run(100, 1)], [run(50, 2)], settings=Settings())
    assert "no longer fits" not in fits.sentences[0]
    assert fits.sentences[0].startswith("The loop is paced at 50.0 Hz instead of 100")


def side(*hz, mode="fixed rate", work=5.0):
    """Judged runs of so many ticks a second, with so much work [ms]."""

    def of(key, quantity):
        return None if work is None else SimpleNamespace(value=work)

    return [SimpleNamespace(facts=SimpleNamespace(nominal_hz=one, pacing_mode=mode),
                            values=SimpleNamespace(get=of)) for one in hz]  # fmt: skip


def said(before, after, quantity="period"):
    return "; ".join(one.text for one in other_pace(before, after, quantity))


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ([50], [48.4], True), ([50], [49.2], False), ([48.6], [50], True), ([49.3], [50], False),
        ([50, 50.6], [40], True), ([50, 51.5], [40], False), ([50, None], [40], False),
        ([None], [40], False), ([40], [None], False), ([40, 40, None], [50], False),
    ],
)  # fmt: skip
def test_rates_that_differ_by_a_fiftieth_are_another_pace(before, after, told):
    """And only if all runs of each side keep to one, to a fiftieth."""
    assert bool(said(side(*before), side(*after))) == told
    assert not said(side(*before, mode="sleep after work"), side(*after))


def test_what_is_compared_decides_what_the_pace_means():
    """Work is compared whatever the pace; a period is the pace."""
    assert said(side(50), side(40), "work").endswith("25.0 ms instead of 20.0, whatever its work, "
                                                     "which is what is compared")  # fmt: skip
    assert said(side(50), side(40)).endswith(
        "so a longer or shorter period says nothing of the code"
    )


@pytest.mark.parametrize(
    ("slow", "work", "may"),
    [(50, 9.5, True), (50, 8.5, False), (50, None, True), (25, 9.5, True), (100 / 3, 9.5, True),
     (40, 9.5, False), (50.4, 9.5, True), (48.2, 9.5, False), (49.3, 9.5, False), (49.7, 9.5, True),
     (100 / 1.97, 9.5, False), (90, 9.5, False)],
)  # fmt: skip
def test_a_slow_side_may_miss_ticks_of_the_fast_one(slow, work, may):
    """Of 100 Hz if its work takes nine tenths of 10 ms, and its ticks are nearly whole ones."""
    fast, other = side(100, work=1.0), side(slow, work=work)
    assert ("or its work no longer fits 10.0 ms" in said(fast, other)) == may
    assert ("or its work no longer fits 10.0 ms" in said(other, fast)) == may


def test_the_longest_work_of_the_slow_side_tells():
    slow = [*side(50, work=2.0), *side(50, work=9.5)]
    assert "no longer fits" in said(side(100), slow)
