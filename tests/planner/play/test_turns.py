"""Threads that take turns on one lock, held against hand computation and a tick-by-tick one."""

from types import SimpleNamespace

import numpy as np
import pytest

from looptime.analysers.thread_rule import ThreadRule
from looptime.planner.answer.predict import predict, prepare_run
from looptime.planner.changes import parse_all
from looptime.planner.play.draft import Setting
from looptime.planner.play.replay import Plays
from looptime.planner.play.turns import Computing, Turns, computing_readers, turns_of, warn_of_lock
from tests.build_run import make_run
from tests.planner.play.turning import recording, simulated

LOCK = ThreadRule("take turns", 5.0, "told", True)
SMALL = [
    ("r1", 0.6),
    ("r2", 0.6),
    ("r3", 0.6),
    ("r4", 4.0),
    ("pose", 6.0),
    ("w1", 0.4),
    ("w2", 0.4),
]
VARIANTS = [
    # parts, rest [ms], switch interval [ms], processor time recorded
    (SMALL, 1.0, 5.0, True), (SMALL, 1.0, 5.0, False), (SMALL, 5.0, 5.0, True),
    (SMALL, 20.0, 5.0, True), (SMALL, 1.0, 1.0, True), (SMALL, 1.0, 0.5, False),
    (SMALL, 3.0, 10.0, True), (SMALL, 3.0, 2.0, True),
    ([("r1", 8.0), ("pose", 3.0), ("w1", 1.0)], 1.0, 5.0, True),
    ([("r1", 8.0), ("pose", 3.0), ("w1", 1.0)], 10.0, 5.0, True),
    ([("r1", 8.0), ("pose", 12.0), ("w1", 1.0)], 1.0, 5.0, True),
    ([("r1", 8.0), ("pose", 12.0), ("w1", 1.0)], 30.0, 5.0, False),
    ([("r1", 2.0), ("plan", 7.0), ("pose", 4.0), ("w1", 1.0)], 1.0, 5.0, True),
    ([("r1", 2.0), ("plan", 12.0), ("pose", 9.0), ("w1", 1.0)], 2.0, 5.0, True),
    ([("r1", 2.0), ("plan", 12.0), ("pose", 9.0), ("w1", 1.0)], 2.0, 1.0, True),
    ([("r1", 2.0), ("plan", 3.0), ("pose", 1.0), ("w1", 1.0)], 4.0, 5.0, True),
    ([("r1", 1.0), ("pose", 0.8), ("r2", 1.0), ("w1", 1.0)], 2.0, 5.0, True),
    ([(f"r{i}", 0.5) for i in range(12)] + [("pose", 5.0)], 1.0, 5.0, True),
    ([(f"r{i}", 0.5) for i in range(12)] + [("pose", 5.0)], 8.0, 5.0, True),
    ([(f"r{i}", 1.5) for i in range(6)] + [("pose", 2.0), ("plan", 2.0)], 3.0, 5.0, False),
]  # fmt: skip


@pytest.mark.parametrize("number", range(len(VARIANTS)))
@pytest.mark.parametrize("holder_counts", [False, True])
def test_the_mean_is_that_of_a_plain_simulation(number, holder_counts):
    """Whoever counts the interval, the loop comes out as when it is played tick by tick."""
    parts, rest, switch, cpu = VARIANTS[number]
    run, took = recording(parts, cpu=cpu)
    told = prepare_run(
        run, threads=ThreadRule("take turns", switch, "told", True), keep_warmup=True
    )
    plays = Plays(told.known, parse_all([f"thread pose rest-ms={rest}"]))
    found = plays.at(Setting(slice=float(holder_counts), sleep=0.0)).mean_ns / 1e6
    true = simulated(parts, took, "pose", rest, switch, holder_counts)
    assert found == pytest.approx(true, rel=0.06)


def said(run, threads=None, change="thread pose rest-ms=1"):
    """What is predicted of a thread for the part that computes."""
    return predict(run, [change], threads=threads, keep_warmup=True)


def test_where_nobody_says_it_the_direction_hangs_on_whether_threads_compute_at_once():
    """At once the loop is rid of 6 ms of 12.6; in turn each read waits for the lock."""
    found = said(recording(SMALL)[0])
    assert found.verdict == "can't tell"
    assert "whether threads compute at once" in found.until
    assert found.unknown_turns is not None
    assert found.unknown_turns.at_once_ms.value == pytest.approx(-6.0, abs=0.2)
    assert found.unknown_turns.in_turn_ms.low > 0


def test_compiled_code_computes_at_once():
    """The whole part is gained, and nothing is left open."""
    found = said(recording(SMALL)[0], ThreadRule("at once"))
    assert found.verdict == "faster"
    assert found.unknown_turns is None
    assert found.change_ms.value == pytest.approx(-6.0, abs=0.2)


def test_on_one_lock_the_answer_holds_both_ways_to_count_the_interval():
    """Both ends of the tick-by-tick answer lie in the interval, and it is called slower."""
    run, took = recording(SMALL)
    found = said(run, LOCK)
    assert found.verdict == "slower"
    assert any("take turns" in text for text in found.warnings)
    for holder_counts in (False, True):
        true = simulated(SMALL, took, "pose", 1.0, 5.0, holder_counts)
        mean = found.predicted.period_ms["mean"]
        assert mean.low <= true <= mean.high


def test_a_read_that_waits_lets_the_lock_go():
    """With processor time of 5 % nobody waits for the lock: the read is gained as ever."""
    run, took = recording(SMALL)
    found = said(run, LOCK, "thread r4 rest-ms=5")
    assert found.change_ms.value == pytest.approx(-took[:, 3].mean(), abs=0.2)
    assert found.unknown_turns is None


def test_a_part_of_no_kind_without_processor_time_is_left_open():
    """Nobody knows whether it computes, so the lock does not settle it."""
    run, _ = recording([("x", 5.0) if n == "pose" else (n, ms) for n, ms in SMALL], cpu=False)
    found = said(run, LOCK, "thread x rest-ms=1")
    assert found.unknown_turns is not None
    assert found.verdict == "can't tell"


def test_the_lock_is_handed_over_after_one_interval():
    """A thread computes 6.5 ms; the loop back after 1 ms of it waits 5 ms, then what is left."""
    turns = Turns([Computing(None, [1000], [6500], 1000, 6500)], 5000, 0)
    waits, now = [], 0
    for blocks in (2000, 400, 400, 800):
        assert turns.released(now) == 0
        waits.append(turns.returned(now + blocks))
        now += blocks + waits[-1] + 30
    # 1000 + 5000 of 6500 by 7000; 400 of the last 500 by 7430, so 100; it rests from 7530 to 8530;
    # the third blocks from 7560 to 7960; the fourth from 7990 to 8790, 260 after it woke
    assert waits == [5000, 100, 0, 5000]


def test_a_call_taken_back_from_a_thread_leaves_the_lock_known():
    """With room made for what comes back, a new thread takes turns as it does without."""
    alone, back = (
        predict(beside(), changes, threads=LOCK, keep_warmup=True)
        for changes in (["thread pose"], ["unthread plan", "thread pose"])
    )
    assert alone.unknown_turns is None
    assert back.unknown_turns is None
    assert any("takes turns with the loop on one lock here (told)" in w for w in back.warnings)


@pytest.mark.parametrize("change", ["rest plan ms=50", "unthread plan", "scale plan by=0.5"])
@pytest.mark.parametrize(("mode", "warned"), [("take turns", True), ("at once", False)])
def test_a_changed_thread_of_the_log_that_computes_warns_of_the_lock(change, mode, warned):
    """Its waits are played as recorded, so the gain or loss by the lock is left to a recording."""
    found = predict(beside(), [change], threads=ThreadRule(mode), keep_warmup=True)
    assert any("record one minute with the change" in w for w in found.warnings) is warned


def beside():
    """Loops that read 3 ms and compute 2, beside a thread that computes 4 of each 10 ms."""
    calls = [("read", 0.0, 3.0), ("pose", 3.1, 2.0), ("plan", 1.0, 4.0, "other")]
    names = {"read": {"kind": "sensor read"}, "pose": {"kind": "compute"},
             "plan": {"kind": "compute"}}  # fmt: skip
    return make_run([10.0] * 200, lambda i: calls, names)


@pytest.mark.parametrize(("takes_ns", "rests_ns", "on", "off"), [
    (0, 0, 200_000, 0), (10_000, 30_000, 50_000, 150_000), (300_000, 0, 300_000, 0),
])  # fmt: skip
def test_turns_too_short_to_be_played_one_by_one_keep_their_share(takes_ns, rests_ns, on, off):
    """A reading of no length in a thread that never rests wants the lock all the time."""
    reader = SimpleNamespace(code=np.zeros(3, np.int64), computes=None,
                             service=np.full(3, float(takes_ns)),
                             off=lambda sleep: np.full(3, float(rests_ns)))  # fmt: skip
    draft = SimpleNamespace(
        readers=[reader],
        compute_share=lambda code: 1.0,
        ranges=set(),
        known=SimpleNamespace(threads=LOCK),
        unknown=lambda of: 0.0,
    )
    (lane,) = turns_of(draft, [0], 0, 0.0).lanes
    assert lane.on == pytest.approx([on] * 3, abs=1)
    assert lane.off == pytest.approx([off] * 3, abs=1)
    assert turns_of(draft, [], 0, 0.0) is None


def drafted(mode, share, recorded=False, bus=None, unknown=0.0):
    """A draft of one thread that makes calls of two names, the second of no length of its own."""
    reader = SimpleNamespace(
        recorded=recorded, computes=None, code=np.array([2, 0, 2]), bus={0: bus, 2: bus}
    )
    said = []
    return SimpleNamespace(
        readers=[reader],
        compute_share={0: 0.1, 1: 0.9, 2: share}.get,
        names=[SimpleNamespace(name=name) for name in ("imu.read", "loop", "pose")],
        known=SimpleNamespace(threads=ThreadRule(mode, 5.0, "told", True)),
        may_take_turns=set(),
        ranges=set(),
        unknown=lambda of: unknown,
        warn=said.append,
        said=said,
    )


@pytest.mark.parametrize(
    ("given", "takes_turns", "left_open", "said"),
    [
        ({"mode": "at once", "share": 0.9}, False, False, ""),
        ({"mode": "take turns", "share": 0.9, "recorded": True}, False, False, ""),
        ({"mode": "take turns", "share": 0.4}, False, False, ""),
        ({"mode": "take turns", "share": 0.5}, True, False, "threads take turns here (told)"),
        ({"mode": "take turns", "share": 0.9, "bus": "a"}, False, True, "is not known"),
        ({"mode": "take turns", "share": None}, False, True, "is not known"),
        ({"mode": "unknown", "share": 0.9}, False, True, "is not known"),
        ({"mode": "unknown", "share": 0.9, "unknown": 1.0}, True, True, "is not known"),
    ],
)
def test_which_new_threads_take_turns(given, takes_turns, left_open, said):
    """Those that compute where it is said that threads do; both ends are played where nobody knows.

    A thread of the log was recorded with its turns, and one that reads lets the lock go.
    """
    draft = drafted(**given)
    assert computing_readers(draft) == [0] * takes_turns
    assert draft.may_take_turns == ({"pose"} if left_open else set())
    assert draft.ranges == ({"turns"} if left_open else set())
    assert len(draft.said) == bool(said)
    assert said in "".join(draft.said)


@pytest.mark.parametrize(
    ("mode", "share", "said"),
    [("at once", 0.9, ""), ("unknown", None, ""), ("unknown", 0.4, ""),
     ("unknown", 0.5, "may take turns"), ("take turns", 0.9, "takes turns")],
)  # fmt: skip
def test_who_changes_a_thread_that_computes_is_warned_of_the_lock(mode, share, said):
    """Not where threads compute at once, nor of a call that reads or of which nobody knows."""
    draft = drafted(mode, share)
    warn_of_lock(draft, 2)
    assert len(draft.said) == bool(said)
    assert said in "".join(draft.said)
