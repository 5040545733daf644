"""Stalls spread over the calls: held up from outside, or long turns of the calls' own."""

import numpy as np
import pytest

from looptime.findings import summarise
from tests.benchmarks.pauses import HELD_OUT, OWN, SHAPES, planted, source
from tests.build_run import make_flat_run


@pytest.mark.parametrize("kind", OWN[:-1])
def test_long_turns_of_the_calls_are_never_said_to_come_from_outside(kind):
    """Long turns that go with the call, over all shapes."""
    assert "outside" not in [source(planted(kind, s, 11)) for s in (*SHAPES, *HELD_OUT)]


@pytest.mark.parametrize("scatter", ["0.2", "0.6"])
def test_pauses_from_outside(scatter):
    """Where calls differ in length most are told; nowhere are they the calls' own."""
    said = [source(planted(f"outside {scatter}", s, 12)) for s in (*SHAPES, *HELD_OUT)]
    assert "own" not in said
    assert said.count("outside") >= 3


def test_calls_of_one_length_cannot_tell():
    """Four calls of 2 ms: 9 ms in any of them may be a pause, or a timeout that each has."""
    rng = np.random.default_rng(3)
    made = {f"c{k}": 2e6 * np.exp(rng.normal(0, 0.04, 6000)) for k in range(4)}
    for k in range(50, 6000, 170):
        made[f"c{rng.integers(4)}"][k + rng.integers(120)] += 9e6 * np.exp(rng.normal(0, 0.1))
    made = {name: ns.astype(np.int64) for name, ns in made.items()}
    run = make_flat_run(np.sum(list(made.values()), axis=0) + 100_000, made)
    assert source(run) == ""
    (said,) = [f.text for f in summarise(run).findings if f.code == "pauses"]
    assert "can't tell whether each has rare long turns or all are held up together" in said
    assert "outside" not in said


def test_own_long_turns_are_told_with_their_calls():
    """Three calls of 1, 2 and 3 ms, each now and then up to four times as long."""
    rng = np.random.default_rng(5)
    made = {}
    for k in (1, 2, 3):
        made[f"c{k}"] = k * 1e6 * np.exp(rng.normal(0, 0.04, 8000))
        at = np.flatnonzero(rng.random(8000) < 0.012)
        made[f"c{k}"][at] *= rng.uniform(1.5, 4, len(at))
    made = {name: ns.astype(np.int64) for name, ns in made.items()}
    run = make_flat_run(np.sum(list(made.values()), axis=0) + 200_000, made)
    (said,) = [f.text for f in summarise(run).findings if f.code == "pauses"]
    assert said.endswith("are spread over c3, c2, c1: each has rare long turns of its own.")


def test_calls_with_stalls_of_unlike_lengths():
    """A timeout of 30 ms in one call and a stall of 6 ms in another are no single cause."""
    rng = np.random.default_rng(6)
    made = {f"c{k}": 3e6 * np.exp(rng.normal(0, 0.04, 6000)) for k in range(3)}
    for name, height in (("c0", 30e6), ("c1", 6e6), ("c2", 12e6)):
        at = rng.choice(6000, 15, replace=False)
        made[name][at] += height * np.exp(rng.normal(0, 0.1, 15))
    made = {name: ns.astype(np.int64) for name, ns in made.items()}
    run = make_flat_run(np.sum(list(made.values()), axis=0) + 100_000, made)
    (said,) = [f.text for f in summarise(run).findings if f.code == "pauses"]
    assert said.startswith("45 stalls")
    assert said.endswith("and differ in length between them: there is more than one cause.")
