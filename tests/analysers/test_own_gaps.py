"""Rows of each name on the loop's thread, found in parts of a long run."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers import own_gaps
from looptime.stats.mechanism import Mechanism, Rule
from tests.build_run import make_run


@pytest.mark.parametrize("at_once", [1, 3, 1000])
def test_rows_of_a_name_are_the_first_of_each_loop_however_many_are_sorted_at_once(
    monkeypatch, at_once
):
    """Three calls a loop, one of them made twice: a row a loop and name, in order of the loops."""
    calls = [("gyro.read", 0, 2), ("motor.a", 2, 1), ("gyro.read", 3, 2)]
    run = make_run([8] * 7, calls, {})
    monkeypatch.setattr(own_gaps, "_AT_ONCE", at_once)
    gaps = own_gaps.OwnGaps(run)
    at = run.call_columns
    for code, rows in gaps.by_name.items():
        every = np.flatnonzero(at.name == code)
        first = [int(every[at.loop[every] == loop][0]) for loop in range(7)]
        assert rows.tolist() == first
    assert sorted(gaps.by_name) == sorted(np.unique(at.name).tolist())
    assert len(gaps.every_loop) == 2


def test_rows_of_a_thread_out_of_loop_order_come_in_loop_order():
    """Seven loops whose calls are logged last loop first: the same loops, rising."""
    run = make_run([8] * 7, [("gyro.read", 0, 2), ("motor.a", 2, 1)], {})
    at = run.call_columns
    backwards = {
        key: getattr(at, key)[::-1].copy()
        for key in ("loop", "thread", "name", "start_ns", "duration_ns", "self_ns", "depth")
    }
    turned = own_gaps.OwnGaps(replace(run, call_columns=replace(at, **backwards)))
    for rows in turned.by_name.values():
        assert turned.run.call_columns.loop[rows].tolist() == list(range(7))


def looked_up(rule, value, jitter, seed, base_ms=9.0, took_ms=4.0, loops=900):
    """The rule told of a call made every `value` loops, or `value` ms after its last begin or end.

    Loops vary by `jitter`, the call by a twelfth.
    """
    rng = np.random.default_rng(seed)
    base, took = base_ms * np.exp(jitter * rng.normal(size=loops)), np.zeros(loops)
    now, start, end = 0.0, 0.0, 0.0
    for k in range(loops):
        check = now + 0.3 * base[k]
        last = end if rule == "since end" else start
        if k % value == 3 if rule == "loops" else check - last >= value:
            took[k] = took_ms * np.exp(0.08 * rng.normal())
            start, end = check, check + took[k]
        now += base[k] + took[k]
    run = make_run(
        base + took,
        lambda k: (
            [("gyro.read", 0, 0.3 * base[k])]
            + [("tag.lookup", 0.3 * base[k], took[k])] * bool(took[k])
        ),
        {"gyro.read": "sensor read", "tag.lookup": "other"},
    )
    gaps = own_gaps.OwnGaps(run)
    return gaps.of_call(next(k for k, n in enumerate(run.names) if n.name == "tag.lookup"))


def test_a_count_of_loops_is_told_where_a_clock_would_have_to_be_set_within_a_hair():
    """Every 20th loop of 9 ms that varies by 6 %: no clock but one of 178.4 ms does the same."""
    told = [looked_up("loops", 20, 0.06, seed) for seed in range(12)]
    assert [t.name for t in told].count("loops") >= 10
    assert {t.name for t in told} <= {"loops", "unknown"}
    assert all(t.could_be[0].value == 20 for t in told)
    assert all(0.95 <= t.could_be[0].share <= 1 for t in told if t.name == "loops")


def test_where_the_loops_hardly_vary_a_count_and_a_clock_stay_possible():
    """A clock of 85 to 94 ms does the same, and many are set to 90 ms."""
    told = looked_up("loops", 10, 0.002, 1)
    assert told.name == "unknown"
    assert {r.name for r in told.could_be} >= {"loops", "since start"}


@pytest.mark.parametrize("rule", ["since start", "since end"])
@pytest.mark.parametrize("jitter", [0.002, 0.02, 0.06])
def test_a_clock_is_never_told_as_a_count_of_loops(rule, jitter):
    """Clocks of round and of odd values, in loops of 7, 9 and 12 ms."""
    for value in (50.0, 87.3, 90.0, 100.0, 112.0, 200.0, 250.0):
        for base in (7.0, 9.0, 12.0):
            assert looked_up(rule, value, jitter, int(10 * value + base), base).name != "loops"


@pytest.mark.parametrize(
    ("start", "end", "told"),
    [
        ((99.8, 100.2), (94.1, 94.5), "since start"),  # 100 is rounder than any within 94.3
        ((94.1, 94.5), (49.9, 50.1), "since end"),
        ((99.8, 100.2), (49.9, 50.1), "unknown"),  # both are round
        ((99.8, 100.2), (90.0, 95.0), "unknown"),  # nothing round in so wide a stretch is no wonder
        ((86.9, 87.1), (81.2, 81.4), "since start"),  # 87 of whole ones
        ((87.2, 87.3), (81.3, 81.4), "unknown"),  # neither
        ((87.2, 87.3), (0.0, 0.0), "unknown"),  # of a call that begins as it ends nothing is set
    ],
)
def test_of_two_clocks_the_one_with_a_round_interval_is_taken(start, end, told):
    """In ms: what programs are set to, where the gaps allow both."""
    rules = tuple(
        Rule(name, sum(bounds) / 2, *bounds)
        for name, bounds in (("since start", start), ("since end", end))
    )
    found = own_gaps._by_round_number(Mechanism("unknown", rules[0].value, 1.0, rules), 0.01)
    assert found.name == told
    value = {r.name: r.value for r in rules}.get(told, rules[0].value)
    assert found.value == value
