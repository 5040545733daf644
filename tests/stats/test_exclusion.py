"""Which calls exclude each other, held against threads played on locks."""

import numpy as np
import pytest

from looptime.stats.exclusion import exclusions
from looptime.stats.meetings import Track
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
