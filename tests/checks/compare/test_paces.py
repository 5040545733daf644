"""A pace that was changed between the sides is said first, and is no change of the work."""

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
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
