"""Stalls spread over the calls: held up from outside, or long turns of the calls' own."""

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs
from looptime.analysers.recurs import recurs
from looptime.analysers.slow import slow_events
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
    for k in rng.choice(6000, 35, replace=False):
        made[f"c{rng.integers(4)}"][k] += 9e6 * np.exp(rng.normal(0, 0.1))
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


def told(run):
    """What is told of the pauses of a run."""
    basis = prepare(run)
    slow = slow_events(basis)
    return recurs(basis, costs(basis, slow.is_slow), slow).pauses


def with_tails(rng, lengths, n):
    """Calls of so many ms, each a little longer in 4 of 1000 turns."""
    return {
        f"c{k}": ms * np.exp(rng.normal(0, 0.08, n))
        + (rng.random(n) < 0.004) * rng.exponential(0.6, n)
        for k, ms in enumerate(lengths)
    }


def flat(made, period=None):
    """A run of calls [ms], with 0.05 ms between them unless periods are given."""
    if period is None:
        period = np.sum(list(made.values()), axis=0) + 0.05
    ns = {name: (1e6 * np.asarray(ms)).astype(np.int64) for name, ms in made.items()}
    return make_flat_run((1e6 * period).astype(np.int64) + 1, ns)


NINE = (0.6, 2.1, 1.3, 0.8, 1.6, 0.7, 1.1, 0.9, 1.0)


@pytest.mark.parametrize("seed", range(6))
def test_pauses_at_even_intervals_are_told_beside_short_tails(seed):
    """Every 200 loops, a tenth more or less, some call of nine takes 27 ms more: 20 of them."""
    rng = np.random.default_rng([21, seed])
    made = with_tails(rng, NINE, 4000)
    at = (200 * (np.arange(20) + 0.5) + rng.normal(0, 20, 20)).astype(int)
    for k in at:
        made[f"c{rng.choice(9, p=np.array(NINE) / sum(NINE))}"][k] += 27 * np.exp(
            rng.normal(0, 0.18)
        )
    found = told(flat(made))
    assert (found.source, found.count) == ("outside", 20)
    assert set(found.loops) == set(at.tolist())


@pytest.mark.parametrize("seed", range(6))
def test_one_call_at_even_intervals_beside_others_at_random_is_no_pause(seed):
    """Half of 40 stalls are one call's, at even intervals; the others fall anywhere, as long."""
    rng = np.random.default_rng([22, seed])
    made = with_tails(rng, NINE, 8000)
    at = (400 * (np.arange(20) + 0.5) + rng.normal(0, 20, 20)).astype(int)
    for k, who in [
        *((k, 1) for k in at),
        *zip(rng.choice(8000, 20), rng.choice(9, 20), strict=True),
    ]:
        made[f"c{who}"][k] += 27 * np.exp(rng.normal(0, 0.18))
    found = told(flat(made))
    assert found is None or found.source != "outside"


def paced_with_pauses(rng, n=2400):
    """Loops of 6 ms of work in 10 ms, and a pause of 30 ms each 250 loops in a call or the wait.

    Returns the calls with their wait, the periods [ms], and how many pauses there are.
    """
    made = with_tails(rng, (0.9, 2.0, 1.2, 0.7, 1.2), n)
    due, wait, period, now, tick = 1300.0, np.zeros(n), np.zeros(n), 0.0, 0.0
    count = 0
    for k in range(n):
        begin = now
        for row in made.values():
            if due < now + row[k]:
                row[k] += 30 * np.exp(rng.normal(0, 0.15))
                due, count = due + 2500 * (1 + 0.1 * rng.normal()), count + 1
            now += row[k]
        while tick <= now:
            tick += 10
        wake = tick + 0.05
        if due < wake:
            wake = max(wake, due + 30 * np.exp(rng.normal(0, 0.15)))
            due, count = due + 2500 * (1 + 0.1 * rng.normal()), count + 1
        wait[k], now = wake - now, wake
        period[k] = now - begin
    return made | {"sleep": wait}, period, count


def test_pauses_that_meet_the_pacing_wait_are_counted():
    """Of about ten pauses, four of ten fall into the sleep, which ends that much late."""
    outside = 0
    for seed in range(6):
        made, period, count = paced_with_pauses(np.random.default_rng([23, seed]))
        found = told(flat(made, period))
        assert found.source in ("outside", "")  # can't tell where chance gives most to the sleep
        if found.source == "outside":
            outside += 1
            assert found.count == count
            assert found.median_ms == pytest.approx(28, abs=4)
    assert outside >= 5


def test_own_turns_of_the_wait_and_the_calls_are_no_pauses():
    """Sleeps that end 8 ms late at random, and calls with stalls of their own lengths."""
    rng = np.random.default_rng(24)
    made = with_tails(rng, (0.9, 2.0, 1.2, 0.7, 1.2), 4000)
    for name, height in (("c0", 5), ("c1", 12), ("c4", 3)):
        made[name][rng.choice(4000, 10, replace=False)] += height
    work = np.sum(list(made.values()), axis=0)
    period = 10 * np.maximum(np.ceil(work / 10), 1) + 8 * (rng.random(4000) < 0.004)
    made["sleep"] = period - work
    found = told(flat(made, period))
    assert found is None or found.source != "outside"
