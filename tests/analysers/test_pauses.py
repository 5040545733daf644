"""Stalls spread over the calls: held up from outside, or long turns of the calls' own."""

from collections import Counter
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs
from looptime.analysers.pauses import (
    _evenly,
    _floor,
    _Hit,
    _hits,
    _late_wakings,
    _p_alike,
    _source,
    _standing_out,
    _Turns,
    _turns,
    _without_leaders,
)
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


def struck(rng, rule, logged, n=3000):
    """Loops of 20 ms with 8 ms of work, and a pause of about 38 ms each 3 s or so, at random.

    A grid's next tick, or a tick after the loop's own start, is waited for, in a row or in none.
    Returns the run, and how many pauses outlast what they meet.
    """
    made = {f"c{k}": ms * np.exp(0.08 * rng.normal(size=n)) for k, ms in enumerate((1, 3, 2, 2))}
    due, now, wait, period, count = rng.exponential(3000), 0.0, np.zeros(n), np.zeros(n), 0
    for k in range(n):
        begin = now
        for row in made.values():
            if due < now + row[k]:
                row[k] += 38 * np.exp(0.15 * rng.normal())
                due, count = now + row[k] + rng.exponential(3000), count + 1
            now += row[k]
        tick = 20 * (np.floor(now / 20) + 1) if rule == "grid" else begin + 20
        wake = max(now, tick)
        if due < wake:
            ends = max(due, now) + 38 * np.exp(0.15 * rng.normal())
            count += ends > wake
            wake, due = max(wake, ends), max(wake, ends) + rng.exponential(3000)
        wait[k], now = wake - now, wake
        period[k] = now - begin
    if logged:
        made["pace"] = wait
    ns = {name: (1e6 * ms).astype(np.int64) for name, ms in made.items()}
    kinds = {"pace": "pacing"} if logged else {}
    return make_flat_run((1e6 * period).astype(np.int64) + 1, ns, kinds), count


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("rule", ["grid", "anew"])
def test_pauses_at_random_that_mostly_meet_the_wait(rule, logged):
    """Of about twenty, six in ten meet a wait: so late no wait ends by a call's own long turns."""
    told_outside = 0
    for seed in range(6):
        run, count = struck(np.random.default_rng([25, seed]), rule, logged)
        found = told(run)
        if found is not None and found.source == "outside":
            told_outside += 1
            assert abs(found.count - count) <= 1
            assert found.in_wait >= 3
            assert 28 < found.median_ms < 40
    assert told_outside >= 4


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_waits_and_calls_that_are_long_each_by_itself_are_no_pauses(logged, seed):
    """Calls with stalls of lengths of their own, beside a wait that ends 9 ms late now and then."""
    rng = np.random.default_rng([26, seed])
    made = with_tails(rng, (1.0, 3.0, 2.0, 2.0), 3000)
    for name, height in (("c0", 31), ("c1", 14), ("c3", 50)):
        made[name][rng.choice(3000, 9, replace=False)] += height
    work = np.sum(list(made.values()), axis=0)
    period = 20 * np.maximum(np.ceil(work / 20), 1) + 9 * (rng.random(3000) < 0.005)
    if logged:
        made["sleep"] = period - work
    found = told(flat(made, period))
    assert found is None or found.source != "outside"


def turns(name, loops, over, usual=2.0, limit=1.0, ratio=0.5, total=100.0):
    """Turns of a call that stand out."""
    return _Turns(name, np.array(loops), np.array(over, float), np.full(len(loops), usual),
                  total, limit, ratio)  # fmt: skip


SHORT = [3.0, 3.1, 3.2, 3.3, 3.4, 3.5]


@pytest.mark.parametrize(
    ("long", "others", "floor", "mixed"),
    [
        ([8.0] * 6, [], 28**0.5, True),
        ([8.0] * 5, [], 0.0, True),
        ([8.0] * 3, [], 0.0, True),
        ([8.0] * 2, [], 0.0, False),
        ([7.0] * 6, [], 24.5**0.5, True),
        ([6.9] * 6, [], 0.0, False),
        ([8.0] * 6, [turns("imu", [5], [5.0])], 0.0, False),
        ([8.0] * 6, [turns("imu", [5], [5.0], limit=2.0)], 0.0, False),
        ([8.0] * 6, [turns("imu", [5], [5.0], limit=2.1)], 28**0.5, True),
        ([8.0] * 6, [turns("imu", [5], [1.5]), turns("arm", [5], [9.0], limit=2.0)], 28**0.5, True),
    ],
)
def test_two_kinds_lie_twice_as_far_apart(long, others, floor, mixed):
    """Between 3.5 and 8 ms there is none, unless other calls have some: what is longer is a kind.

    Six long ones are told by themselves, three show that there are two kinds. Turns of a call whose
    scatter hides stalls of the least length, and those within the scatter of any, say nothing.
    """
    assert _floor([*SHORT, *long], others, 2.0) == (pytest.approx(floor), mixed)


def test_a_stall_stands_out_of_a_calls_scatter():
    """Turns of 2 ms vary by 0.01 either way: by 8 robust deviations, or two ticks of 0.3 ms."""
    ms = 2.0 + 0.01 * np.resize([1, -1, 1, -1, 0], 1000)
    ms[[200, 500, 900]] += [0.5, 5.0, 0.7]
    found = _turns("imu", ms, 0.001)
    assert found.loop.tolist() == [200, 500, 900]
    assert found.over_ms == pytest.approx([0.5, 5.0, 0.7], abs=0.02)
    assert found.usual_ms == pytest.approx(np.full(3, 2.0), abs=0.011)
    assert found.limit_ms == pytest.approx(8 * 1.4826 * 0.01, rel=0.02)
    assert found.limit_ratio == pytest.approx(8 * 1.4826 * 0.005, rel=0.02)
    assert found.total_ms == pytest.approx(2006.2)
    coarse = _turns("imu", ms, 0.3)
    assert (coarse.limit_ms, coarse.loop.tolist()) == (0.6, [500, 900])
    assert coarse.limit_ratio == pytest.approx(0.3, rel=0.01)


def test_a_call_of_few_loops_or_many_stalls_has_none_that_stand_out():
    """One loop in three makes it, or 6 of 100 turns are long: these are no rare stalls."""
    ms = np.full(1000, 2.0)
    assert _turns("imu", np.where(np.arange(1000) % 3, 0.0, ms), 0.001) is None
    assert _turns("imu", ms + 5.0 * (np.arange(1000) % 16 == 3), 0.001) is None
    assert _turns("imu", ms + 5.0 * (np.arange(1000) % 25 == 3), 0.001) is not None


def test_a_loop_in_which_two_stand_out_stretched_as_a_whole():
    """What is told of the others: value, whose, usual length; the highest limit holds for all."""
    one, other = turns("imu", [3, 7, 9], [4, 6, 1.5]), turns("arm", [7, 8], [5, 3], usual=4.0)
    value, whose, usual = _standing_out([one, other], [one.over_ms, other.over_ms], [1.0, 2.0])
    assert value.tolist() == [4, 3]
    assert whose.tolist() == [0, 1]
    assert usual.tolist() == [2, 4]
    assert [len(part) for part in _standing_out([], [], [])] == [0, 0, 0]


def test_stalls_are_alike_or_not_where_two_calls_have_some():
    """Six at least, of two calls at least; lengths of 3 and 9 ms are not alike, mixed ones are."""
    ones, whose = np.ones(12), np.arange(12) % 2
    assert _p_alike(np.arange(5.0), whose[:5], ones[:5]) is None
    assert _p_alike(np.arange(12.0), 0 * whose, ones) is None
    draw = np.random.default_rng(3)
    even, odd = draw.uniform(3, 4, 40), draw.uniform(9, 10, 40)
    both = np.repeat([0, 1], 40)
    assert _p_alike(np.append(even, odd), both, np.ones(80)) < 0.01
    assert _p_alike(draw.uniform(3, 4, 80), both, np.ones(80)) > 0.01


@pytest.mark.parametrize(
    ("count", "left"),
    [([4, 4, 4], "abc"), ([20, 2, 1], "bc"), ([20, 20, 1], "abc"), ([9, 4, 4], "abc")],
)
def test_a_name_that_leads_far_too_often_is_a_culprit_of_its_own(count, left):
    """Three calls take as long: 20 of 23 fall on one by a chance of 1 in 10 million.

    20 of 41 do by one of 30: a thousandth, over all three, would tell.
    """
    hits = [_Hit(k, 5.0, name) for name, n in zip("abc", count, strict=True) for k in range(n)]
    made = {h.name for h in _without_leaders(hits, dict.fromkeys("abc", 1.0))}
    assert made == set(left)


def test_stalls_that_go_with_the_time():
    """Calls of 1, 2 and 5 ms a loop, struck 10, 20 and 50 times, and as often each.

    The odds of the first are 10 ln(3/8) + 20 ln(6/8) + 50 ln(15/8), as the mean is 8/3.
    """
    own = [turns(name, [], [], total=total) for name, total in (("a", 1), ("b", 2), ("c", 5))]
    by_share, odds = _hits(own, np.repeat([0, 1, 2], [10, 20, 50]))
    assert by_share
    assert odds == pytest.approx(10 * np.log(3 / 8) + 20 * np.log(6 / 8) + 50 * np.log(15 / 8))
    assert not _hits(own, np.repeat([0, 1, 2], [27, 27, 26]))[0]


@pytest.mark.parametrize(("late", "found"), [(20, 20), (60, None), (0, None)])
def test_how_late_waits_end(late, found):
    """Waits of 4 ms, some of which end 5 ms late; where most do nothing is told.

    A stall of 8 ms shows 1.8 ms or more late where it begins in what comes after, 4 ms at most.
    """
    over, wait = np.zeros(1000), np.full(1000, 4.0)
    over[7:][: 10 * late : 10] = 5.0
    made = _late_wakings(over, wait, 1.8, [_Hit(3, 8.0, "c0")])
    assert (made is None) == (found is None)
    if made is not None:
        assert made.loop.tolist() == [7 + 10 * k for k in range(20)]
        assert made.over_ms == pytest.approx(np.full(20, 5.0))
        assert made.usual_ms == pytest.approx(np.full(20, 4.0))
        assert made.total_ms == pytest.approx(4 * 1000)


def stalls(name, low, high, count, usual, total, ratio=0.05, seed=1):
    """So many long turns of a call, of lengths between two [ms]."""
    draw = np.random.default_rng(seed).uniform(low, high, count)
    first = {"a": 0, "b": 5000, "c": 10_000}[name]
    return turns(name, first + np.arange(count), draw, usual, 0.5, ratio, total)


def joined(one, other):
    """The turns of both, of one call."""
    return turns(one.name, [*one.loop, *(other.loop + 1000)], [*one.over_ms, *other.over_ms],
                 one.usual_ms[0], 0.5, one.limit_ratio, one.total_ms)  # fmt: skip


ALIKE = [stalls("a", 4.5, 5.5, 6, 1, 100), stalls("b", 4.5, 5.5, 54, 10, 1000, seed=2)]
GROWING = [stalls("a", 5, 7.5, 30, 2.5, 100), stalls("b", 20, 30, 30, 10, 1000, seed=2)]


@pytest.mark.parametrize(
    ("found", "even", "source"),
    [
        (ALIKE, False, "outside"),
        (GROWING, False, "own"),
        ([stalls("a", 29, 31, 30, 1, 100), stalls("b", 5, 6, 30, 10, 1000, seed=2)], False,
         "several"),
        ([], False, ""),
        ([], True, "outside"),
        (ALIKE, True, "outside"),
        (GROWING, True, ""),
        ([stalls("a", 4.5, 5.5, 30, 1, 100), stalls("b", 4.5, 5.5, 30, 10, 1000, seed=2)], False,
         ""),
        ([stalls("a", 4.5, 5.5, 30, 2, 100), stalls("b", 4.5, 5.5, 30, 2, 1000, seed=2)], False,
         "own"),
        ([stalls("a", 4.5, 5.5, 30, 1, 500), stalls("b", 4.5, 5.5, 30, 10, 500, seed=2)], False,
         ""),
        ([stalls("a", 4.5, 5.5, 6, 1, 100, ratio=1.1),
          stalls("b", 4.5, 5.5, 54, 10, 1000, ratio=1.1, seed=2)], False, ""),
        ([joined(stalls("a", 4.5, 5.5, 10, 1, 100), stalls("a", 0.9, 1.1, 20, 1, 100)),
          stalls("b", 4.5, 5.5, 30, 10, 1000, seed=2)], False, ""),
    ],
    ids=["as long, by the time taken", "as long as the call", "otherwise", "none", "none, even",
         "even", "even, of unlike lengths", "as long, as often in each", "as often, of like calls",
         "as often as the time has it", "calls that vary", "unlike in the short ones alone"],
)  # fmt: skip
def test_where_stalls_come_from(found, even, source):
    """Calls of 1 and 10 ms, whose stalls last 5 ms, or go with the call, or are each call's own.

    From outside they strike as the time is taken: 6 in 100 and 54 in 1000 ms. Thirty in each may
    be either: where calls are alike in length the count tells, where they take as much it can't.
    """
    assert _source(found, 4.0, 0.0, even) == source


@pytest.mark.parametrize(
    ("step", "names", "even"),
    [
        (lambda k, r: 200 + 20 * r, "abcabcabcabcabcabcabcabc", True),
        (lambda k, r: 200 + 20 * r, "abababababababababababab", False),
        (lambda k, r: 200 + 20 * r, "aaaabaaaabaaaacaaaacaaaa", False),
        (lambda k, r: -200 * np.log(max(r, 0.01)), "abcabcabcabcabcabcabcabc", False),
        (lambda k, r: (90 + 20 * r, 310 + 20 * r)[k % 2], "abcabcabcabcabcabcabcabc", False),
    ],
    ids=["even", "of two names", "mostly of one", "at random", "by twos"],
)
def test_stalls_at_even_intervals(step, names, even):
    """Each 2 s, a tenth more or less, on three names of which none has six in ten of them."""
    draw = np.random.default_rng(5).random(24)
    at = np.cumsum([step(k, r) for k, r in enumerate(draw)]).astype(int)
    hits = [_Hit(int(loop), 5.0, name) for loop, name in zip(at, names, strict=True)]
    basis = SimpleNamespace(time_s=lambda loop: 0.01 * loop)
    assert _evenly(basis, hits, Counter(names)) == even


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("whole", [True, False])
def test_a_beat_that_each_call_fills_by_its_share_is_no_call_s_own(seed, whole):
    """19 pauses of 50 ms, one in about 314 loops, meet calls of 6.5, 2.1 and 1.3 ms by their time.

    The neighbour: the longest call is long every 305 loops, and others are in eight more.
    """
    rng = np.random.default_rng(seed)
    usual, n = {"wheels": 6.5, "imu": 2.1, "arm": 1.3}, 6000
    took = {name: rng.normal(ms, 0.04 * ms, n) for name, ms in usual.items()}
    share = np.array([*usual.values()]) / sum(usual.values())
    for turn in range(19):
        loop = 200 + 305 * turn + (int(rng.integers(-15, 16)) if whole else 0)
        name = rng.choice([*usual], p=share) if whole else "wheels"
        took[name][loop] += rng.uniform(40, 60)
    for loop in rng.choice(n, 0 if whole else 8, replace=False).tolist():
        took[rng.choice(["imu", "arm"])][loop] += rng.uniform(40, 60)
    ns = {name: np.rint(1e6 * ms).astype(np.int64) for name, ms in took.items()}
    found = summarise(make_flat_run(sum(ns.values()) + 40_000, ns, {}))
    told = {r.call for r in found.recurrence.found}
    assert told & {*usual} == (set() if whole else {"wheels"})
