"""Findings about calls that alternate, in loops whose lengths are planted."""

import re

import numpy as np
import pytest

from looptime.findings import summarise
from tests.build_run import make_flat_run

N = 2400


def side_by_side(lengths, seed=1, wait_to=None, both=0.0):
    """A gyro of 1 ms, one of some calls [ms] in each loop, a write of 2.5 ms; what all leave of
    `wait_to`, or a twentieth of a millisecond in no call.
    """
    rng = np.random.default_rng(seed)
    made = {"gyro": rng.normal(1, 0.03, N), "output": rng.normal(2.5, 0.08, N)}
    for k, length in enumerate(lengths):
        own = rng.normal(length, 0.03 * length, N)
        others = rng.normal(both, 0.03 * both, N) if both else -1.0
        made[f"side{k}"] = np.where(np.arange(N) % len(lengths) == k, own, others)
    work = sum(np.maximum(v, 0) for v in made.values())
    period = work + 0.05
    if wait_to:
        made["remain"], period = wait_to - work, np.full(N, wait_to)
    ns = {name: (v * 1e6).astype(np.int64) for name, v in made.items()}
    return make_flat_run((period * 1e6).astype(np.int64), ns)


def said(found):
    return [f.text for f in found.findings if f.code in ("alternating_calls", "recurring_stall")]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("lengths", [(4.2, 3.1), (5.2, 3.9, 2.6)])
def test_calls_of_which_each_loop_makes_one_alternate(lengths, seed):
    """Each is named with what it takes, their mean, and by how much loops differ: nobody stalls."""
    found = summarise(side_by_side(lengths, seed))
    (told,) = [f for f in found.findings if f.code == "alternating_calls"]
    pattern = "side(.) \\(([0-9.]+) ms\\)"
    assert [name for name, _ in re.findall(pattern, told.text)] == [*"012"][: len(lengths)]
    took = [float(ms) for _, ms in re.findall(pattern, told.text)]
    assert took == pytest.approx(lengths, rel=0.01)
    assert told.value == pytest.approx(np.mean(lengths), rel=0.01)
    apart = float(re.search("differ by ([0-9.]+) ms", told.text)[1])
    assert apart == pytest.approx(max(lengths) - min(lengths), rel=0.03)
    assert not [f for f in found.findings if f.code == "recurring_stall"]
    assert found.pacing.mode == "free-running"


def test_where_they_take_as_long_loops_do_not_differ_for_them():
    """Of 4 ms each: it is good to know, and nothing to look at."""
    found = summarise(side_by_side((4.0, 4.0)))
    (told,) = [f for f in found.findings if f.code == "alternating_calls"]
    assert (told.severity, "differ" in told.text) == ("note", False)


def test_long_turns_that_alternate_stall_nothing():
    """Both calls are made in every loop, 1 ms long, and 4.2 ms or 3.4 ms long by turns."""
    found = summarise(side_by_side((4.2, 3.4), both=1.0))
    (text,) = said(found)
    assert text.startswith("side0 (3.2 ms more) and side1 (2.4 ms more) alternate")
    assert found.pacing.mode == "free-running"


def test_a_wait_beside_them_is_one():
    """What fills each loop up to 12 ms is shorter where the longer of the two is made."""
    found = summarise(side_by_side((4.2, 3.1), wait_to=12.0))
    assert found.pacing.mode == "fixed rate"
    assert found.pacing.wait_ms == pytest.approx(12 - 3.5 - 3.65, abs=0.02)


def test_a_rare_long_call_in_the_place_of_short_ones_stalls_the_loop():
    """One of eight takes 14 ms instead of 1.5."""
    texts = said(summarise(side_by_side((1.5, 1.5, 1.5, 1.5, 14.0, 1.5, 1.5, 1.5))))
    assert texts[0].startswith("side4 stalls the loop for 14 ms every 8 loops")
    assert not any("side4" in text for text in texts[1:])
