"""What comes back: planted rules are told with their value, height and cause."""

import numpy as np
import pytest

import looptime
from looptime.analysers.basis import prepare
from looptime.analysers.call_costs import costs
from looptime.analysers.recurs import recurs
from looptime.analysers.slow import slow_events
from looptime.analysers.threads_rest import _rule
from looptime.findings import summarise
from looptime.run import LoopColumns
from tests.benchmarks.recurring import CASES, judged, planted
from tests.build_run import make_flat_run, make_run


def found_in(made, seed=1):
    """Recurrences of a run of the given calls [ns] and 0.5 ms that no call covers."""
    made = {k: v.astype(np.int64) for k, v in made.items()}
    period = sum(np.maximum(v, 0) for v in made.values()) + 500_000
    basis = prepare(make_flat_run(period, made))
    slow = slow_events(basis)
    return recurs(basis, costs(basis, slow.is_slow), slow)


def parts(n=6000, seed=1):
    """Four calls of 2.5 ms."""
    rng = np.random.default_rng(seed)
    return {f"part{k}": 2.5e6 * np.exp(rng.normal(0, 0.05, n)) for k in range(4)}


def test_every_so_many_loops():
    """A call made every 40 loops: its name, period, clock and height."""
    made = parts()
    made["send"] = np.full(6000, -1.0)
    made["send"][13::40] = 5e6
    made["part0"] *= np.random.default_rng(2).lognormal(0, 0.5, 6000)
    (only,) = found_in(made).found
    assert (only.mechanism, only.call) == ("loops", "send")
    assert only.every_loops == 40
    assert (only.count, only.possible) == (150, 151)
    assert only.height_ms == pytest.approx(5, abs=0.3)
    assert only.loops[:2] == (13, 53)


@pytest.mark.parametrize("every", [2, 3])
def test_long_turns_of_a_device_of_half_the_rate(every):
    """A call of 0.2 ms that waits 3 ms in every second loop: both humps hold half of its turns."""
    made = parts()
    rng = np.random.default_rng(7)
    made["poll"] = 0.2e6 * np.exp(rng.normal(0, 0.2, 6000))
    made["poll"][1::every] += 3e6 * np.exp(rng.normal(0, 0.1, 2000 * 3 // every))
    made["part0"] *= rng.lognormal(0, 0.5, 6000)
    (only,) = found_in(made).found
    assert (only.call, only.mechanism, only.every_loops) == ("poll", "loops", every)
    assert only.long_turns
    assert only.height_ms == pytest.approx(3.0, rel=0.05)


@pytest.mark.parametrize("stretch", [1, 40])
def test_long_turns_that_keep_no_order_are_no_rhythm(stretch):
    """Half the turns are long, by chance or in stretches, as those of a robot that drives."""
    made = parts()
    rng = np.random.default_rng(7)
    long = np.repeat(rng.random(6000 // stretch) < 0.5, stretch)
    made["poll"] = 0.2e6 * np.exp(rng.normal(0, 0.2, 6000)) + 3e6 * long
    assert found_in(made).found == ()


def checked(rule, every_ns, seed=1, n=6000, length=5e6, extra=None):
    """Parts, and `send` by a rule that is checked at the end of each loop."""
    rng = np.random.default_rng(seed)
    made = parts(n, seed)
    made["part0"] *= rng.lognormal(0, 0.5, n)
    usual = sum(made.values()) + 5e5 + (0 if extra is None else extra)
    send, now, last, due = np.full(n, -1.0), 0.0, 0.0, 0.3 * every_ns
    for k in range(n):
        now += usual[k]
        if (now >= due) if rule == "timetable" else (now - last >= every_ns):
            send[k] = length * rng.lognormal(0, 0.2)
            last = now + (send[k] if rule == "since end" else 0)
            due += every_ns * (1 + max(now - due, 0) // every_ns)
            now += send[k]
    made["send"] = send
    return made


@pytest.mark.parametrize("rule", ["since start", "since end", "timetable"])
@pytest.mark.parametrize("every_ms", [100, 250, 1000])
def test_every_so_many_milliseconds(rule, every_ms):
    """The rule is told by name and its interval within a fiftieth, for each of the clocks."""
    (only,) = found_in(checked(rule, every_ms * 1e6)).found
    assert (only.mechanism, only.call) == (rule, "send")
    assert only.every_ms == pytest.approx(every_ms, rel=0.02)
    assert only.count <= only.possible
    assert only.explained_share == 1


def test_from_one_to_the_next_is_longer_than_what_the_code_waits_for():
    """100 ms since its start, looked at once a loop of 10.5 ms: 105 ms on average, as counted."""
    made = checked("since start", 100e6)
    (only,) = found_in(made).found
    begins = np.cumsum(sum(np.maximum(v, 0) for v in made.values()) + 5e5)[made["send"] > 0]
    assert only.gap_ms == pytest.approx(np.diff(begins).mean() / 1e6, rel=0.01)
    assert only.gap_ms > 103 > only.every_ms


def test_a_call_of_one_length_since_start_or_end():
    """A call that always takes 5.3 ms, 100 ms after its start: the round number decides."""
    made = checked("since start", 100e6)
    now, last, send = 0.0, 0.0, np.full(6000, -1.0)
    usual = sum(v for k, v in made.items() if k != "send") + 5e5
    for k in range(6000):
        now += usual[k]
        if now - last >= 100e6:
            send[k], last = 5.3e6, now
            now += 5.3e6
    made["send"] = send
    (only,) = found_in(made).found
    assert only.mechanism == "since start"
    assert only.every_ms == pytest.approx(100, rel=0.005)


def test_a_steady_loop_cannot_tell_loops_from_time():
    """Loops of one length: every 10 loops and every 100 ms are the same, and both are told."""
    made = {"part": np.full(3000, 9.5e6), "send": np.where(np.arange(3000) % 10 == 3, 1e6, -1.0)}
    (only,) = found_in(made).found
    assert only.mechanism == "unknown"
    assert "loops" in {rule.name for rule in only.could_be}
    assert only.every_loops == pytest.approx(10)


def test_calls_at_random_have_no_rule():
    """A call made by chance in one loop of ten comes back by no rule."""
    made = parts()
    made["send"] = np.where(np.random.default_rng(5).random(6000) < 0.1, 5e6, -1.0)
    assert found_in(made).found == ()


def test_long_turns_by_the_clock_beside_random_timeouts():
    """A flush of 60 ms once 4 s have gone by in a part of every loop; another part times out."""
    rng = np.random.default_rng(3)
    n = 12_000
    made = parts(n)
    made["part1"][rng.random(n) < 0.008] += 48e6
    usual = sum(made.values()) + 5e5
    now, last, at = 0.0, 0.0, []
    for k in range(n):
        if now - last >= 4e9:
            at.append(k)
            last = now
            now += 60e6
        now += usual[k]
    made["part3"][at] += 60e6
    (only,) = found_in(made).found
    assert (only.call, only.mechanism, only.count) == ("part3", "since start", len(at))
    assert only.every_ms == pytest.approx(4000, rel=0.005)
    assert only.height_ms == pytest.approx(60, abs=1)


@pytest.mark.parametrize(
    ("rule", "expected"), [("rest", "rest"), ("rate", "timetable"), ("start", "since start")]
)
def test_the_rhythm_of_a_thread(rule, expected):
    """A thread with turns of 1 to 3 ms: 5 ms after each, on a grid of 8 ms, or 8 ms after start."""
    rng = np.random.default_rng(6)
    rows, now = [], 0.2
    for k in range(1000):
        busy, late = rng.uniform(1, 3), rng.exponential(0.05)
        rows.append((now, busy))
        now = {"rest": now + busy + 5 + late, "rate": 8 * (k + 1) + 0.2 + late,
               "start": now + 8 + late}[rule]  # fmt: skip

    def calls(k):
        mine = [("read", s - 10 * k, d, "reader") for s, d in rows if 10 * k <= s < 10 * (k + 1)]
        return [("work", 0, 9), *mine]

    run = make_run([10.0] * 700, calls)
    basis = prepare(run)
    slow = slow_events(basis)
    (thread,) = recurs(basis, costs(basis, slow.is_slow), slow).threads
    assert (thread.thread, thread.call, thread.mechanism) == ("reader", "read", expected)
    assert thread.every_ms == pytest.approx(5 if rule == "rest" else 8, abs=0.1)
    assert thread.count <= thread.possible


def _starts(kind, seed, turns, longer, jitter=0.05):
    """Begins and ends of turns of 20 ms every 40, some of which take 44 to 60 [ms]."""
    rng = np.random.default_rng(seed)
    at, slot, made = 0.2, 0, []
    for _ in range(turns):
        busy = rng.uniform(44, 60) if rng.random() < longer else rng.normal(20, 2)
        made.append((at, at + busy))
        late = rng.exponential(jitter)
        slot = int((at + busy) // 40) + 1 if kind == "skip" else slot + 1
        due = at + 40 if kind == "start" else 40 * slot + 0.2
        at = max(due + late, at + busy + 0.01)
    return np.array(made).T * 1e6


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("kind", ["skip", "catch up", "start"])
@pytest.mark.parametrize("longer", [0.0, 0.04])
def test_what_becomes_of_a_turn_that_takes_too_long_tells_whence_it_counts(kind, seed, longer):
    """The next begins on the grid again, or at once and with all after it as much later.

    Without such turns 600 starts that count from the last stray, and those on a grid do not.
    """
    found = _rule(*_starts(kind, seed, 600, longer), 1e3)
    assert found.name == ("since start" if kind == "start" else "timetable")
    assert found.value == pytest.approx(40e6, rel=0.002)


@pytest.mark.parametrize("kind", ["skip", "start"])
def test_few_turns_of_which_none_is_long_leave_both_open(kind):
    """On a clock of milliseconds nothing strays that anybody could see."""
    start, end = (np.round(x, -6) for x in _starts(kind, 1, 60, 0.0, 0.02))
    found = _rule(start, end, 1e6)
    assert (found.name, {rule.name for rule in found.could_be}) == (
        "unknown", {"timetable", "since start"},
    )  # fmt: skip


def test_slots_that_are_left_out_often_make_no_rest():
    """One of four turns takes a slot of its own: the grid is kept all the same."""
    found = _rule(*_starts("skip", 2, 400, 0.25), 1e3)
    assert (found.name, found.explained) == ("timetable", 1.0)
    assert found.value == pytest.approx(40e6, rel=1e-4)


def test_a_rhythm_that_belongs_to_no_call():
    """Stalls every 60 loops in whatever call happens to run are put down to none."""
    rng = np.random.default_rng(4)
    made = parts()
    for k in range(20, 6000, 60):
        made[f"part{rng.integers(4)}"][k] += 8e6
    first = found_in(made).found[0]
    assert first.every_loops == pytest.approx(60, abs=0.05)
    assert first.call is None
    assert first.together == ()


def test_several_calls_together():
    """Four reads made in every third loop are named together, not called a pause."""
    made = parts(3000)
    for k in range(4):
        made[f"read{k}"] = np.full(3000, -1.0)
        made[f"read{k}"][1::3] = 1.5e6
    first = found_in(made).found[0]
    assert first.every_loops == pytest.approx(3, abs=0.01)
    assert first.call is None
    assert set(first.together) == {"read0", "read1", "read2", "read3"}


def test_one_call_in_every_second_loop():
    """A call made in every other loop is the rhythm itself, whatever statistics make of it."""
    made = parts(1000)
    made["read"] = np.full(1000, -1.0)
    made["read"][::2] = 3e6
    (only,) = found_in(made).found
    assert (only.every_loops, only.call, only.count) == (2, "read", 500)
    assert only.height_ms == pytest.approx(3, abs=0.1)


def test_few_events_of_a_long_interval():
    """A flush in every 700th loop is not said to come more often than it does."""
    made = parts(6000, seed=3)
    made["flush"] = np.full(6000, -1.0)
    made["flush"][300::700] = 40e6
    found = [r for r in found_in(made).found if r.call == "flush"]
    for r in found:  # fewer than ten cycles: not found at all, or with its true interval
        assert r.every_loops == pytest.approx(700, rel=0.02)


def test_few_long_loops_at_random_keep_no_rhythm():
    """Four to eight long loops anywhere, in one call, in any or in all at once: one log of 30.

    Of 2,400 such logs none was told a rhythm; one in a hundred may be.
    """
    told = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        made, heights = parts(2000, seed), np.array([[9e6, 11e6], [9e6, 45e6]])[seed % 2]
        for k in rng.choice(2000, int(rng.integers(4, 9)), replace=False):
            share = rng.dirichlet([1] * 4) if seed % 3 else np.eye(4)[rng.integers(4)]
            for part, of_it in zip(made.values(), share, strict=True):
                part[k] += of_it * rng.uniform(*heights)
        told += bool(found_in(made).found)
    assert told <= 1


def test_from_one_to_the_next_is_what_lies_between_first_and_last():
    """A stall of a loop every 250th of 20 ms, from the first on: 5 s, whatever comes after it."""
    period = np.full(4000, 20e6)
    period[10::250] += 60e6
    run = looptime.Run(LoopColumns(np.arange(4000), (np.cumsum(period) - period).astype(np.int64),
                                   period.astype(np.int64)))  # fmt: skip
    basis = prepare(run)
    slow = slow_events(basis)
    (only,) = recurs(basis, costs(basis, slow.is_slow), slow).found
    assert only.count == 16
    assert only.gap_ms == pytest.approx(250 * 20 + 60, rel=1e-9)


def test_pauses_at_irregular_intervals():
    """Pauses of the whole process: counted, with their size, and blamed on no call."""
    rng = np.random.default_rng(7)
    made = parts(12_000)
    at = np.cumsum(rng.gamma(8, 50, 40)).astype(int)
    at = at[at < 12_000]
    for k in at:
        made[f"part{rng.integers(4)}"][k] += 9e6
    found = found_in(made)
    assert found.found == ()
    assert found.pauses.count == len(at)
    assert found.pauses.median_ms == pytest.approx(9, abs=0.5)


def test_a_culprit_is_no_pause():
    """Stalls that always fall into one call belong to that call."""
    rng = np.random.default_rng(7)
    made = parts()
    made["part1"][rng.random(6000) < 0.01] += 9e6
    assert found_in(made).pauses is None


@pytest.mark.parametrize("with_calls", [False, True])
def test_long_ones_that_no_call_covers(with_calls):
    """Every 200 loops 130 ms more, among irregular stalls of 3 to 60 ms: told by their height."""
    rng = np.random.default_rng(8)
    rest = 3e6 * np.exp(rng.normal(0, 0.02, 1300))
    at = rng.choice(1300, 60, replace=False)
    rest[at] += rng.uniform(3e6, 60e6, 60)
    rest[150::200] = 133e6
    calls = {"read": np.full(1300, 2_000_000)} if with_calls else {}
    run = make_flat_run(rest.astype(np.int64) + sum(calls.values()), calls)
    basis = prepare(run)
    slow = slow_events(basis)
    found = recurs(basis, costs(basis, slow.is_slow), slow).found
    (only,) = [r for r in found if r.height_ms > 100]
    assert (only.call, only.every_loops, only.count) == (None, 200, 6)
    assert only.height_ms == pytest.approx(130, abs=1)
    assert only.parts[0].name == "unattributed"


@pytest.mark.parametrize("tick_ms", [1, 10])
def test_a_step_of_the_clock_is_no_stall(tick_ms):
    """Even loops of 10.05 ms on a clock of whole steps: one longer now and then, by rounding."""
    stamps = np.floor(np.arange(4001) * 10.05 / tick_ms).astype(np.int64) * tick_ms * 1_000_000
    basis = prepare(make_flat_run(np.diff(stamps), tick_ns=tick_ms * 1_000_000))
    slow = slow_events(basis)
    assert recurs(basis, costs(basis, slow.is_slow), slow).found == ()


def test_two_rhythms():
    """A slow call of its own rhythm beside that of the loop is found too."""
    made = parts(8000)
    made["send"] = np.full(8000, -1.0)
    made["send"][5::50] = 6e6
    made["part2"][3::17] += 2e6
    periods = {r.call: r.every_loops for r in found_in(made).found}
    assert periods["send"] == pytest.approx(50, abs=0.05)
    assert periods["part2"] == pytest.approx(17, abs=0.05)


@pytest.mark.parametrize("n", [0, 1, 60, 1000])
def test_degenerate(n):
    """Constant loops have no rhythm."""
    made = {"a": np.full(n, 5e6)}
    found = found_in(made)
    assert found.found == ()
    assert found.pauses is None
    assert bool(found.note) == (n < 50)


@pytest.mark.parametrize("seed", [2, 3])
def test_small_events_in_step_do_not_shorten_the_period_of_large_ones(seed):
    """A read that hangs for 10 ms every 50 loops, and a call of 0.6 ms in every fifth."""
    n, rng = 2000, np.random.default_rng(seed)
    took = {"read": 2e6, "part0": 1.5e6, "part1": 1.5e6, "part2": 0.7e6, "part3": 1e6}
    made = {name: ns * (1 + rng.normal(0, 0.05, n)) for name, ns in took.items()}
    made["read"][30::50] += 10e6
    made["send"] = np.where(np.arange(n) % 5 == 0, 0.6e6 * (1 + rng.normal(0, 0.05, n)), -1.0)
    read = [at for at in found_in(made).found if at.call == "read"]
    assert len(read) == 1
    assert read[0].every_loops == pytest.approx(50, abs=0.01)
    assert read[0].height_ms == pytest.approx(10, abs=0.3)
    assert read[0].count == pytest.approx(40, abs=2)


def test_rare_calls_of_another_thread_are_passed_over():
    """A call that another thread makes every tenth loop stretches no loop of this one."""
    run = make_run(
        [10.0] * 100,
        lambda k: [("update", 0, 9), *([("save", 1, 5, "disk")] if k % 10 == 0 else [])],
    )
    basis = prepare(run)
    slow = slow_events(basis)
    assert recurs(basis, costs(basis, slow.is_slow), slow).found == ()


def test_a_beat_of_which_the_noise_shows_little_is_told_in_full():
    """A call every 6 loops, of which one in many stands out of the noise: its own beat is told."""
    rng = np.random.default_rng(7)
    n = 60_000
    made = {f"part{k}": rng.gamma(60, 0.7e6 / 60, n) for k in range(20)}
    made["part0"][rng.random(n) < 0.002] += 12e6
    made["send"] = np.where(np.arange(n) % 6 == 0, rng.gamma(60, 0.7e6 / 60, n), -1.0)
    (only,) = found_in(made).found
    assert only.call == "send"
    assert only.every_loops == pytest.approx(6, abs=0.001)
    assert only.height_ms == pytest.approx(0.7, abs=0.05)
    assert only.count == n // 6


def test_only_loops_that_hold_the_call_are_counted_as_its_events():
    """Other stalls that happen to keep the beat are not counted as made by the call."""
    made = parts()
    made["send"] = np.full(6000, -1.0)
    made["send"][13::40] = 5e6
    skipped = np.arange(13, 6000, 40)[5:150:15]
    made["send"][skipped] = -1.0
    made["part2"][skipped] += 5e6
    first = found_in(made).found[0]
    assert first.call == "send"
    assert 137 <= first.count <= 140
    assert not set(first.loops) & set(skipped.tolist())


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.rule} {c.value:g} {c.base:g}")
def test_no_planted_rule_is_told_wrong(case):
    """A rule is told rightly or left open (full table: tests/benchmarks)."""
    for seed in range(2):
        how, near = judged(case, planted(np.random.default_rng(seed), case))
        assert how in ("right", "open"), how
        assert near or how == "open"


@pytest.mark.parametrize("period_ms", [10.05, 10.005, 3.02])
def test_a_period_that_is_no_whole_number_of_ticks_has_no_stalls(tmp_path, period_ms):
    """Loops of 10.05 ms by a clock of 1 ms: one in 20 is a tick longer."""
    stamps = period_ms * np.arange(6000) // 1
    log = tmp_path / "log.csv"
    log.write_text("time_ms\n" + "".join(f"{int(t)}\n" for t in stamps))
    basis = prepare(looptime.read(log, cache=False))
    slow = slow_events(basis)
    assert recurs(basis, costs(basis, slow.is_slow), slow).most == ()


def test_a_rare_call_that_keeps_a_beat_loosely_tells_all_its_rows():
    """Every 300 ms or a few loops later, 2 to 34 ms long, beside wheels that scatter by 2 ms."""
    draw, now, last, made = np.random.default_rng(22), 0.0, -1e9, []
    for _ in range(12_000):
        wheels = 8 * float(draw.lognormal(0, 0.25))
        rare = float(draw.uniform(2, 34)) if now + 9.5 - last >= 300 else -1e-6
        last = now + wheels if rare > 0 else last
        made.append((wheels, rare))
        now += wheels + max(rare, 0) + 0.5
    wheels, rare = 1e6 * np.array(made).T
    (told,) = [r for r in found_in({"wheels": wheels, "range": rare}).found if r.call == "range"]
    assert told.every_ms == pytest.approx(300, abs=8)
    assert told.count == (rare > 0).sum()
    assert told.height_ms == pytest.approx(np.median(rare[rare > 0]) / 1e6, abs=0.1)


def in_step(parts_of, more_ms, loops=4000):
    """Ten calls of 0.9 ms; every 40 loops some of them, drawn anew each time, share `more_ms`."""
    rng = np.random.default_rng(6)
    calls = {f"call{k}": 0.9e6 * np.exp(rng.normal(0, 0.03, loops)) for k in range(10)}
    for at in range(13, loops, 40):
        which = parts_of(rng)
        for k in which:
            calls[f"call{k}"][at] += 1e6 * more_ms / len(which) * rng.uniform(0.8, 1.2)
    made = {name: ns.astype(np.int64) for name, ns in calls.items()}
    return make_flat_run(sum(made.values()) + 200_000, made)


@pytest.mark.parametrize(
    ("parts_of", "more_ms", "together"),
    [
        (lambda rng: range(8), 0.8, {f"call{k}" for k in range(8)}),
        (lambda rng: rng.choice(10, 3, replace=False), 1.5, set()),
        (lambda rng: rng.choice(10, 3, replace=False), 6.0, set()),
        (lambda rng: [rng.integers(10)], 6.0, set()),
    ],
)
def test_calls_make_up_a_beat_together_only_where_each_does_each_time(parts_of, more_ms, together):
    """The same eight of ten, too little of each to be told; any three of them, or any one."""
    found = summarise(in_step(parts_of, more_ms)).recurrence.found
    assert len(found) == 1
    assert found[0].call is None
    assert found[0].every_loops == pytest.approx(40, rel=0.01)
    assert found[0].height_ms == pytest.approx(more_ms, rel=0.1)
    assert set(found[0].together) == together


def test_a_turn_that_is_a_little_long_by_chance_does_not_hide_the_rule():
    """Every 30th turn takes 43 ms more; the one after the sixth such takes 2 ms more than usual."""
    draw = np.random.default_rng(4)
    trays = draw.integers(5, 7, 1400) + 43.0 * (np.arange(1400) % 30 == 29)
    trays[180] += 2
    found = found_in({"wheels": 1e6 * draw.integers(13, 17, 1400), "trays": 1e6 * trays}).found
    assert [r.count for r in found] == [46]
    assert [rule.value for rule in found[0].could_be if rule.name == "loops"] == [30]
