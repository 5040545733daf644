"""Which calls exclude each other, held against threads played on locks."""

import numpy as np
import pytest

from looptime.stats.exclusion import (
    _behaves,
    _better_explained,
    _by_chance,
    _caught,
    _claims,
    _drop,
    _evidence,
    _few_of_the_kind,
    _finer,
    _set_apart,
    _steadiness,
    _weigh,
    exclusions,
)  # fmt: skip
from looptime.stats.meetings import Meeting, Side, Track, meetings
from tests.two_threads import Job, play

GYRO = ("gyro", "gyro.read")


def main_round(rng):
    """Four calls on lock a, two on nothing."""
    return [
        Job("enc.1", 1.2, "a"),
        Job("enc.2", 1.2, "a"),
        Job("range.read", 2.0),
        Job("calc", 0.5 + rng.uniform(0, 0.6)),
        Job("motor.1", 0.7, "a"),
        Job("motor.2", 0.7, "a"),
    ]


def tracks_of(played):
    """One track a thread and name, those of the loop's thread first, and their keys."""
    rows: dict = {}
    for thread, name, ask, done, _ in played.rows:
        rows.setdefault((thread, name), []).append((ask * 1e6, done * 1e6))
    keys = sorted(rows, key=lambda key: key[0] != "main")
    threads = list(dict.fromkeys(t for t, _ in keys))
    return [Track(threads.index(k[0]), *np.array(rows[k]).T) for k in keys], keys


def pairs(played, tick_ns=1):
    """Verdict of each pair as {(loop call, other call)}."""
    tracks, keys = tracks_of(played)
    made = {}
    for m in exclusions(tracks, tick_ns):
        names = sorted((keys[k] for k in m.pair), key=lambda key: key[0] != "main")
        made[names[0][1], names[1][1]] = m.verdict
    return made


def shared(verdicts):
    """Pairs that are taken to share a lock."""
    return {p for p, v in verdicts.items() if v in ("shares", "likely")}


ON_A = {("enc.1", "gyro.read"), ("enc.2", "gyro.read"), ("motor.2", "gyro.read")}


@pytest.mark.parametrize("late", [0.0, 0.3])
@pytest.mark.parametrize("seed", [1, 2])
def test_finds_what_shares_a_lock(seed, late):
    """Calls that wait on a fair or an unfair lock are found, those on none are not."""

    def gyro(rng):
        return [Job("gyro.read", 2.6, "a", gap_ms=rng.uniform(0.5, 6.0))]

    played = play(
        {"main": main_round, "gyro": gyro}, 900, seed=seed,
        chance=lambda lost: late if lost else 0.9 * (late > 0),
    )  # fmt: skip
    found = pairs(played)
    assert shared(found) >= ON_A
    assert {found["range.read", "gyro.read"], found["calc", "gyro.read"]} <= {"apart", "unknown"}


@pytest.mark.parametrize("seed", [3, 4, 5])
@pytest.mark.parametrize("gap", [0.7, 4.0])
def test_no_lock_no_pair(seed, gap):
    """A thread on a lock of its own shares nothing with the loop."""
    played = play(
        {"main": main_round, "gyro": lambda rng: [Job("gyro.read", 2.6, "b", gap_ms=gap)]},
        700,
        seed=seed,
    )
    assert not shared(pairs(played))


def test_two_threads_on_one_lock_and_one_on_another():
    """Each thread is told by its own lock, though both hinder each other too."""
    played = play(
        {
            "main": lambda rng: [*main_round(rng), Job("lift.read", 1.0, "c")],
            "gyro": lambda rng: [Job("gyro.read", 2.0, "a", gap_ms=rng.uniform(2, 9))],
            "tilt": lambda rng: [Job("tilt.read", 1.5, "a", gap_ms=rng.uniform(3, 12))],
            "camera": lambda rng: [Job("camera.read", 2.0, "c", gap_ms=rng.uniform(2, 7))],
        },
        1500,
    )
    found = {p for p in shared(pairs(played)) if set(p) != {"tilt.read", "gyro.read"}}
    assert ("lift.read", "camera.read") in found
    assert {("enc.1", "gyro.read"), ("enc.1", "tilt.read")} <= found
    on_c = {p for p in found if "camera.read" in p}
    assert on_c == {("lift.read", "camera.read")}


def test_row_that_outlasts_its_lock_is_not_called_apart():
    """Where a row goes on after its lock was let go, the times cannot clear the pair."""
    played = play(
        {
            "main": main_round,
            "gyro": lambda rng: [Job("gyro.read", 2.0, "a", rng.uniform(1, 6), tail_ms=0.9)],
        },
        800,
    )
    found = pairs(played)
    assert all(found[p] != "apart" for p in ON_A)


def test_nothing_is_said_on_a_coarse_clock():
    """Services that last less than five ticks cannot be told."""
    played = play(
        {"main": main_round, "gyro": lambda rng: [Job("gyro.read", 2.6, "a", rng.uniform(1, 6))]},
        300,
    )
    assert set(pairs(played, tick_ns=1_000_000).values()) == {"unknown"}


def test_waiting_for_the_processor_is_no_lock():
    """A call that another thread interrupts ends after it, but did not find a lock taken."""
    rng = np.random.default_rng(6)
    start = np.arange(800) * 10e6
    at = start + rng.uniform(0.05e6, 0.1e6, 800)  # soon after the call has begun
    took = rng.uniform(1e6, 3e6, 800)
    calc = Track(0, start, start + 2e6 + took)
    vision = Track(1, at, at + took)
    assert exclusions([calc, vision])[0].verdict not in ("shares", "likely", "apart")


def varied(kind, rng):
    """A service of a few milliseconds whose length varies."""
    draw = {
        "a frame of 3 to 6 ms": lambda: rng.uniform(3.0, 6.0),
        "a few bytes or a whole frame": lambda: 0.4 if rng.random() < 0.3 else 3.5,
        "now and then very long": lambda: 2.5 * np.exp(rng.standard_normal()),
    }
    return max(float(draw[kind]()), 0.02)


def scan_round(kind, lock, burst):
    """A round of a thread that makes so many calls of varied length, then rests."""
    return lambda rng: [
        Job("scan", varied(kind, rng), lock, gap_ms=0.004 if k else rng.uniform(8.0, 25.0))
        for k in range(burst)
    ]


KINDS = ["a frame of 3 to 6 ms", "a few bytes or a whole frame", "now and then very long"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("burst", "first"), [(1, 0.0), (4, 0.9)])
@pytest.mark.parametrize("own_wait", [True, False])
def test_finds_a_thread_whose_calls_vary_in_length(kind, burst, first, own_wait):
    """Fair or not, and whether its rows hold its own wait: what waits for it is found, no more."""
    threads = {"main": main_round, "scan": scan_round(kind, "a", burst)}
    played = play(threads, 1500, seed=3, chance=lambda lost: 0.3 if lost else first)
    if not own_wait:
        played.rows = [
            (thread, name, ask + (waited if thread == "scan" else 0.0), done, waited)
            for thread, name, ask, done, waited in played.rows
        ]
    told = shared(pairs(played))
    # what follows another call on the lock asks while nobody's row shows who has it
    assert told >= ({("enc.1", "scan"), ("motor.1", "scan")} if own_wait else {("motor.1", "scan")})
    assert told <= {(call, "scan") for call in ("enc.1", "enc.2", "motor.1", "motor.2")}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("burst", [1, 4])
def test_no_lock_no_pair_of_a_thread_whose_calls_vary_in_length(kind, burst):
    """However its calls vary, a thread on no lock shares nothing with the loop."""
    played = play({"main": main_round, "scan": scan_round(kind, None, burst)}, 1500, seed=4)
    verdicts = pairs(played)
    assert not shared(verdicts)
    assert {v for (call, _), v in verdicts.items() if call != "calc"} == {"apart"}


def test_varied_calls_that_are_interrupted_share_no_lock():
    """What is left of a call of random length does not tell an interruption from a wait."""
    rng = np.random.default_rng(8)
    done = rng.exponential(1e6, 8000).cumsum()  # in time of the processor that the loop had
    turn = np.arange(10e6, done[-1], 17e6) + rng.uniform(0, 5e6)
    wall = done + 4e6 * np.searchsorted(turn, done)
    taken = turn + 4e6 * np.arange(len(turn))
    loop = Track(0, np.append(0.0, wall[:-1]), wall)
    vision = Track(1, taken - 3e6, taken + 4e6)  # it asks, waits for its turn of 3 ms, computes
    assert exclusions([loop, vision])[0].verdict not in ("shares", "likely")


def side(residual, wait=None, me=0, taken=1.0, **more):
    """Calls [us] inside which the other's ended: what is left of each, how long it waited."""
    left = np.asarray(residual, float) * 1e3
    waited = np.full(len(left), 1e3) if wait is None else np.asarray(wait, float) * 1e3
    held = np.arange(len(left)) < round(taken * len(left))
    hit = np.ones(len(left), bool)
    return Side(me, 1 - me, np.zeros(len(left)), hit, left, waited, held, **more)


def meeting(mine, theirs, verdict="unknown", pair=(0, 1)):
    """Two tracks that met."""
    return Meeting(*pair, verdict, sides=(mine, theirs))


class Served:
    """Services of two tracks [us] that are told beforehand."""

    def __init__(self, middle=(1000, 1000), least=(750, 750), wide=(False, False), free=(), taken=1,
                 scatter=10, of=None):  # fmt: skip
        self.middle, self.least = np.array(middle) * 1e3, np.array(least) * 1e3
        self.wide, self.renewed = np.array(wide), []
        self._free, self._taken, self._scatter, self._of = free, taken, scatter, of

    def unhindered(self, me):
        return np.array(self._free, float) * 1e3

    def was_taken(self, side):
        return self._taken

    def scatter(self, me):
        return self._scatter * 1e3

    def of(self, me, without=-1):
        return np.array(self._of, float) * 1e3

    def renew(self, me):
        self.renewed.append(me)


@pytest.mark.parametrize(
    ("mine", "theirs", "wide", "caught", "together"),
    [
        ([500] * 2 + [2000] * 8, [2000] * 10, (False, False), 0.2, 0.1),
        ([500] * 2 + [2000] * 5, [2000] * 10, (False, False), 2 / 17, 2 / 17),
        ([750] * 10, [2000] * 10, (False, False), 0.0, 0.0),
        ([2000] * 30, [500] * 10, (False, True), 0.0, 0.0),
        ([2000] * 29, [500] * 10, (False, True), 1.0, 10 / 39),
        ([2000] * 30, [500] * 10, (True, True), 1.0, 10 / 40),
        ([], [], (False, False), 0.0, 0.0),
    ],
)
def test_how_often_a_pair_is_caught_serving_both(mine, theirs, wide, caught, together):
    """What ends before its least service was served with the other: the side with more of it tells.

    Seven of a side say nothing by themselves; beside a side that varies the other is asked alone,
    if it met 30.
    """
    made = meeting(side(mine), side(theirs, me=1))
    assert _caught(made, Served(wide=wide)) == pytest.approx(caught)
    assert made.together == pytest.approx(together)


def test_the_worst_pair_is_dropped_until_none_is_left_that_serves_both():
    """Of three pairs two are caught in 30 and 20 % of their meetings, and 10 % are chance."""
    found = {}
    for pair, often in (((0, 3), 3), ((1, 3), 2), ((2, 3), 1)):
        found[pair] = meeting(side([500] * often + [2000] * (10 - often)), side([2000] * 10, me=1),
                              pair=pair)  # fmt: skip
    kept, service = set(found), Served()
    service.least = np.full(4, 750e3)
    service.wide = np.zeros(4, bool)
    _drop(found, kept, service)
    assert kept == {(2, 3)}
    assert service.renewed == [0, 3, 1, 3]


def test_what_is_left_keeps_still_or_ends_with_the_other():
    """Slope 0 where service begins at the other's end, -1 where calls last the same all in all."""
    wait = np.linspace(100, 2000, 40)
    still, ends = side(np.full(40, 700.0), wait), side(2500 - wait, wait)
    few = side(np.full(7, 700.0), wait[:7])
    for one in (still, ends, few):
        _steadiness(one)
    assert (still.still, still.still_se) == pytest.approx((0, 0), abs=1e-9)
    assert ends.still == pytest.approx(-1)
    assert np.isnan(few.still)


@pytest.mark.parametrize(
    ("residual", "wait", "free", "behaves"),
    [
        (np.full(40, 700.0), np.linspace(100, 2000, 40), [], True),
        (2500 - np.linspace(100, 2000, 40), np.linspace(100, 2000, 40), [], False),
        (np.full(7, 700.0), np.linspace(100, 2000, 7), [], False),
        (np.full(40, 700.0), np.linspace(100, 2000, 40), [1000] * 4, False),
        (np.full(40, 700.0), np.linspace(100, 2000, 40), [1000] * 3, True),
        (np.full(40, 745.0), np.linspace(100, 2000, 40), [1000] * 4, True),
        (2500 - np.linspace(100, 2000, 40), np.linspace(100, 2000, 40), [1400] * 20, True),
        (2500 - np.linspace(100, 2000, 40), np.linspace(100, 2000, 40), [1400] * 19, False),
        (2500 - np.linspace(100, 2000, 40), np.linspace(100, 2000, 40), [1200] * 20, False),
    ],
)
def test_what_behaves_as_a_bare_service(residual, wait, free, behaves):
    """It keeps still, or lasts as long as 20 calls that met nobody, within a fifth.

    Where four or more that met nobody last clearly longer, waits cannot be told.
    """
    assert _behaves(Served(free=free), side(residual, wait)) == behaves


@pytest.mark.parametrize(
    ("residual", "wait", "by_chance"),
    [
        (np.linspace(10, 990, 40), 1000 - np.linspace(10, 990, 40), True),
        (np.full(40, 10.0), np.linspace(500, 900, 40), False),
        (np.linspace(10, 990, 7), 1000 - np.linspace(10, 990, 7), False),
        (np.linspace(10, 990, 8), 1000 - np.linspace(10, 990, 8), True),
        (np.resize([100, 900], 40), 1000 - np.resize([100, 900], 40), False),
        (np.resize([100, 300, 900], 40), 1000 - np.resize([100, 300, 900], 40), True),
    ],
)
def test_ends_that_fall_anywhere_are_chance(residual, wait, by_chance):
    """Of the quarters of a call three hold some ends where nothing is shared."""
    assert _by_chance(side(residual, wait)) == by_chance


@pytest.mark.parametrize(("tick", "finer"), [(200, False), (201, True)])
def test_a_service_lasts_five_ticks_to_be_told(tick, finer):
    """Of two calls the shorter, of 1000 us, is what counts."""
    made = meeting(side([900]), side([900], me=1))
    assert _finer(Served(middle=(1000, 5000)), made, 1000 * tick) == finer


def test_calls_that_waited_clearly_and_for_nobody_else():
    """Services of 1000 us that scatter by 10: who took 1501 waited, 1499 may be chance."""
    mine = side([900, 900, 900, 700, 900], [600, 600, 600, 600, 0])
    service = Served(of=[1501, 1499, 3000, 3000, 3000])
    assert _evidence(service, mine) == 2
    assert _evidence(Served(of=[1501, 1499, 3000, 3000, 3000], scatter=500), mine) == 0
    assert _evidence(Served(middle=(1000, 400), of=[1201, 1199, 1150, 3000, 1]), mine) == 1


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({}, "shares"),
        ({"taken": 0.69}, "unknown"),
        ({"taken": 0.7}, "shares"),
        ({"wide": (True, False)}, "unknown"),
        ({"of": [1100] * 20}, "unknown"),
        ({"residual": 59}, "result"),
        ({"residual": 60}, "shares"),
        ({"first": 7}, "waited for"),
    ],
)
def test_the_verdict_on_a_pair_that_never_served_both(change, verdict):
    """Twenty of each waited, found the lock taken, and took as long as ever once they had it.

    Where only the other thread's calls show it, it waited for the loop.
    """
    left, first = change.pop("residual", 900), change.pop("first", 20)
    wait = np.linspace(500, 2000, 20)
    mine, theirs = side(np.full(first, left), wait[:first]), side(np.full(20, left), wait, me=1)
    settings = {"of": [2500] * 20, "least": (0, 0)} | change
    service = Served(**settings)
    if first < 20:
        service.of = lambda me, without=-1: np.full(20 if me else first, 2.5e6)
    made = meeting(mine, theirs)
    if change.get("wide"):
        service.wide = np.array([True, True])
    _weigh(service, made)
    assert made.verdict == verdict


@pytest.mark.parametrize(
    ("shown", "count", "together", "theirs", "taken", "verdict"),
    [
        (3, 10, 0.1, 0.02, True, "likely"), (2, 10, 0.1, 0.02, True, "unknown"),
        (3, 10, 0.11, 0.02, True, "unknown"), (3, 10, 0.1, 0.03, True, "unknown"),
        (3, 30, 0.1, 0.02, True, "unknown"), (3, 10, 0.1, 0.02, False, "unknown"),
    ],
)  # fmt: skip
def test_few_meetings_count_where_another_pair_shows_the_lock(
    shown, count, together, theirs, taken, verdict
):
    """The thread's call 2 shares with call 0: what call 1 met of it is held against that.

    A wait of twice the service is hardly chance, of a single call.
    """
    first = meeting(side([900] * 40), side([900] * 40, me=1), "shares", (0, 2))
    mine = side([900] * count, shown=shown, together=together)
    second = meeting(mine, side([900] * count, me=1, together=theirs), pair=(1, 2))
    first.verdict = "shares" if taken else "apart"
    found = {m.pair: m for m in (first, second)}
    _few_of_the_kind(found, {(1, 2)})
    assert second.verdict == verdict
    second.verdict = "unknown"
    second.sides[0].wait[:] = 1.81e6
    second.sides[0].shown = 1
    _few_of_the_kind(found, {(1, 2)})
    assert second.verdict == ("likely" if verdict == "likely" or shown == 2 else "unknown")


@pytest.mark.parametrize(
    ("shown", "lock", "verdict"),
    [(1, "shares", "shares"), (0, "shares", "unknown"), (1, "apart", "unknown")],
)
def test_who_was_waited_for_shares_where_the_lock_is_shown(shown, lock, verdict):
    """And at least one of the loop's calls waited, too."""
    first = meeting(side([900] * 40), side([900] * 40, me=1), lock, (0, 2))
    second = meeting(side([900] * 40, shown=shown), side([900] * 40, me=1), "waited for", (1, 2))
    _few_of_the_kind({m.pair: m for m in (first, second)}, {(1, 2)})
    assert second.verdict == verdict


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({}, "shares"), ({"free": [59] * 3}, "result"), ({"free": [61] * 4}, "result"),
        ({"taken": 0.9}, "result"), ({"beside": "unknown"}, "result"), ({"wait": 99}, "result"),
        ({"wait": 99, "tick": 201}, "unknown"),
    ],
)  # fmt: skip
def test_what_only_takes_a_lock_is_through_at_once_elsewhere(change, verdict):
    """Twenty waits of 101 us or more for 50 us, each with the lock held when it was asked for.

    Nobody waits for a result that is there; and another call runs beside that thread.
    """
    wait, tick = change.pop("wait", 101), change.pop("tick", 20)
    beside = meeting(side([9]), side([9], me=1), change.pop("beside", "apart"), (1, 2))
    mine = side(np.full(20, 50.0), np.full(20, wait), taken=change.pop("taken", 1.0))
    found = {m.pair: m for m in (meeting(mine, side([9]), "result", (0, 2)), beside)}
    service = Served(middle=(1000, 1000, 1000), **({"free": [59] * 4} | change))
    _claims(service, found, 1000 * tick)
    assert found[0, 2].verdict == verdict


def behind(vary, count=40, share=1.0, thread=1):
    """A loop's call of 3 ms behind a call with a lock, behind which another without one ends, too.

    The last lasts 1.5 ms, more or less by so many; the one with the lock is made in some rounds.
    """
    draw = np.random.default_rng(4)
    free = 20e6 * np.arange(1, count + 1)
    end = free + 3e6 + draw.uniform(-2e4, 2e4, count)
    loose = free + 1.5e6 + 1e6 * vary * draw.uniform(-1, 1, count)
    held = np.arange(count) < round(share * count)
    tracks = [Track(0, free - 1e6, end), Track(1, free, loose),
              Track(thread, free[held] - 4e6, free[held])]  # fmt: skip
    return tracks, {m.pair: m for m in meetings(tracks)}


@pytest.mark.parametrize(
    ("settings", "explained"),
    [
        ({"vary": 0.9}, True), ({"vary": 0.0}, False), ({"vary": 0.9, "count": 7}, False),
        ({"vary": 0.9, "count": 8}, True), ({"vary": 0.9, "share": 0.55}, False),
        ({"vary": 0.9, "share": 0.65}, True), ({"vary": 0.9, "thread": 2}, False),
    ],
)  # fmt: skip
def test_ends_that_another_call_of_the_thread_explains_more_closely(settings, explained):
    """The loop's call ends 3 ms after the lock is let go, and anyhow after the other's next call.

    Eight at least of its ends, and most of them; what another thread does explains nothing. The
    call with the lock itself ends before, and is explained by nobody.
    """
    tracks, found = behind(**settings)
    assert _better_explained(tracks, found, found[0, 1]) == explained
    if settings.get("thread", 1) == 1:
        assert not _better_explained(tracks, found, found[0, 2])


EVEN = np.linspace(100, 2000, 40)


@pytest.mark.parametrize(
    ("residual", "wait", "settings", "verdict"),
    [
        (np.full(40, 59.0), EVEN, {}, "result"),
        (np.full(40, 61.0), EVEN, {}, "unknown"),
        (np.full(29, 59.0), EVEN[:29], {}, "unknown"),
        (np.full(40, 59.0), EVEN, {"set_by": True}, "unknown"),
        (np.full(40, 59.0), EVEN, {"rival": 8}, "unknown"),
        (np.full(40, 59.0), EVEN, {"rival": 7}, "result"),
        (55 - 0.4 * np.linspace(1, 100, 40), np.linspace(1, 100, 40), {}, "unknown"),
        (np.linspace(10, 990, 40), 1000 - np.linspace(10, 990, 40), {"least": 750}, "apart"),
        (np.linspace(10, 990, 40), 1000 - np.linspace(10, 990, 40), {"least": 370}, "unknown"),
        (np.linspace(10, 990, 40), 1000 - np.linspace(10, 990, 40), {"least": 410}, "apart"),
        (np.resize([100, 900], 40), 1000 - np.resize([100, 900], 40), {"least": 750}, "unknown"),
    ],
)  # fmt: skip
def test_the_verdict_on_a_pair_that_was_dropped(residual, wait, settings, verdict):
    """Both end together however long one waited: its result, unless something else explains it.

    Two fifths served with the other, at any place within the call, are apart.
    """
    least, rival = settings.get("least", 0), settings.get("rival", 0)
    made = meeting(side(residual, wait), side([2000] * 3, me=1))
    other = meeting(side([900] * rival), side([900] * 3, me=1), pair=(0, 2))
    service = Served(least=(least, 0))
    _set_apart(service, made, {(0, 2)}, {(0, 2): other}, settings.get("set_by", False))
    assert made.verdict == verdict


def rare_and_long(rng, calls, locked):
    """A read of 2.3 ms in loops of 4.6, and few calls of another thread that last 40 ms.

    They keep the read's lock, or the processor: whatever runs then goes on after them.
    """
    begins = set(rng.choice(np.arange(20, 480, 2), calls, replace=False).tolist())
    now, held = 0.0, 0.0
    reads, rest, others = [], [], []
    for k in range(500):
        read, more = 2.3e6 * np.exp(rng.normal(0, 0.1, 2))
        asks = rng.uniform(now + locked * read, now + read + more)
        if k in begins:
            others.append((asks, asks + 40e6))
            held = asks + 40e6
        stop = k in begins and not locked
        first = now + read + (40e6 if stop and asks < now + read else 0.0)
        if locked and now < held and k not in begins:
            first = held + read
        reads.append((now, first))
        now = first + more + (40e6 if stop and asks >= now + read else 0.0)
        rest.append((first, now))
    return [Track(k // 2, *np.array(at).T) for k, at in enumerate((reads, rest, others))]


@pytest.mark.parametrize(("calls", "told"), [(5, "likely"), (7, "likely"), (4, "unknown")])
def test_five_long_calls_are_enough_where_one_read_waits_for_each(calls, told):
    """It waits for 35 ms and then takes as long as ever; where it is cut short, no lock does it."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        assert [m.verdict for m in exclusions(rare_and_long(rng, calls, True))] == [told, "unknown"]
        stopped = exclusions(rare_and_long(rng, calls, False))
        assert [m.verdict for m in stopped] == ["unknown", "unknown"]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("service", "lock", "told"),
                         [(3.2, "a", "likely"), (4.0, "a", "likely"), (2.2, "a", "unknown"),
                          (3.2, "b", "unknown"), (4.0, "b", "unknown")])  # fmt: skip
def test_on_a_clock_of_milliseconds_long_waits_are_likely(seed, service, lock, told):
    """A read of three or four ticks that waits for a grab of 17, on its lock and on another."""
    jobs = {
        "main": lambda rng: [Job("gyro", rng.normal(service, 0.2), "a"),
                             Job("enc", rng.normal(8, 0.3)), Job("drive", rng.normal(5.5, 0.3))],
        "cam": lambda rng: [Job("grab", rng.normal(17, 0.5), lock, max(rng.normal(35, 8), 1.0))],
    }  # fmt: skip
    tracks, keys = tracks_of(play(jobs, 410, seed=seed))
    coarse = [Track(t.thread, t.start // 1e6 * 1e6, t.end // 1e6 * 1e6) for t in tracks]
    verdicts = {keys[m.first][1]: m.verdict for m in exclusions(coarse, 1_000_000)}
    assert verdicts["gyro"] == told
    assert {verdicts["enc"], verdicts["drive"]} <= {"apart", "unknown"}


def test_what_begins_within_the_read_is_no_lock_that_it_waits_for():
    """A calibration or collection that the read itself sets off: nobody had a lock before it."""
    reads, _, long = rare_and_long(np.random.default_rng(4), 6, True)
    asks = np.array([reads.start[reads.end > end][0] for end in long.end])
    own = Track(long.thread, asks + 0.2e6, long.end)
    assert exclusions([reads, long])[0].verdict == "likely"
    assert exclusions([reads, own])[0].verdict == "unknown"
