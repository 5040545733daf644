"""Buses that nobody named: told by the times of a recorded thread, else played both ways."""

from dataclasses import replace

import pytest

from looptime.planner.answer.predict import predict
from looptime.planner.changes import parse_all
from looptime.planner.known.seen_buses import seen_buses
from looptime.planner.play.draft import Draft, Setting, known
from looptime.planner.play.replay import play
from looptime.planner.play.unnamed import _unnamed
from tests.build_run import make_run
from tests.two_threads import Job
from tests.two_threads import play as play_threads

READS = dict.fromkeys(("gyro.read", "enc.read", "range.read"), "sensor read")


def loop(names=None, n=600):
    """A gyro of 3 ms, an encoder and a range reading of 2 ms each, and 3 ms of work."""
    calls = [("gyro.read", 0, 3), ("enc.read", 3, 2), ("range.read", 5, 2), ("work", 7, 3)]
    return make_run([10] * n, calls, {**READS, "work": "compute", **(names or {})})


def with_thread(chance=lambda lost: 0.0, seed=2):
    """The same loop, recorded with the gyro in a thread on the encoder's bus."""
    return play_threads(
        {
            "main": lambda rng: [
                Job("enc.read", 2.0, "a"),
                Job("enc.again.read", 1.5, "a"),
                Job("enc.last.read", 1.5, "a"),
                Job("range.read", 2.0, "b"),
                Job("work", 3.0 + rng.uniform(0, 0.5)),
            ],
            "gyro": lambda rng: [Job("gyro.read", 3.0, "a", gap_ms=rng.uniform(1, 4))],
        },
        900, chance=chance, seed=seed,
    )  # fmt: skip


def test_nobody_named_the_buses():
    """Both ends are shown, no direction is promised, and the headline says what would decide."""
    made = predict(loop(), ["thread gyro.read"], keep_warmup=True, buses={})
    (unknown,) = made.unknown_buses
    assert (unknown.call, set(unknown.may_share_with)) == ("gyro.read", {"enc.read", "range.read"})
    assert unknown.own_ms.value == pytest.approx(-3, abs=0.01)
    assert unknown.shared_ms.value > 0.5
    assert made.verdict == "can't tell"
    assert "whether gyro.read shares a bus with enc.read and range.read" in made.until
    assert made.change_ms.low < -3 < 0.5 < made.change_ms.high
    assert made.to_dict()["unknown_buses"][0]["call"] == "gyro.read"


def test_a_rest_that_pays_either_way_is_promised():
    """Where the loop gets faster on its own bus and on a shared one, that is said."""
    made = predict(loop(), ["thread gyro.read rest-ms=100"], keep_warmup=True)
    assert made.verdict == "faster"
    assert made.until == ""
    assert made.unknown_buses[0].shared_ms.high < 0


def test_labels_decide():
    """With every bus named, nothing is open; on a bus of its own the whole read is gained."""
    on = {n: {"kind": "sensor read", "bus": "b"} for n in ("enc.read", "range.read")}
    named = loop({**on, "gyro.read": {"kind": "sensor read", "bus": "a"}})
    at = play(known(named), parse_all(["thread gyro.read"]), Setting(shared=1.0))
    assert "bus" not in at.ranges
    assert at.run.loop_columns.period_ns.mean() / 1e6 == pytest.approx(7)
    half = loop({**on, "gyro.read": "sensor read"})
    assert "bus" in play(known(half), parse_all(["thread gyro.read"])).ranges


@pytest.mark.parametrize("fair", [True, False])
def test_a_recorded_thread_shows_its_bus_and_lock(fair):
    """Calls that wait for it share a bus that is called after it, with the lock as it was seen."""
    run = with_thread((lambda lost: 0.0) if fair else (lambda lost: 0.3 if lost else 0.9)).run()
    seen = seen_buses(run)
    bus = {call.name: call.bus for call in seen.run.names}
    assert bus["enc.read"] == bus["enc.again.read"] == bus["gyro.read"] == "shared with gyro.read"
    assert bus["range.read"] is None
    lock = seen.locks["shared with gyro.read"]
    assert lock.kind == ("fair" if fair else "barging")
    if not fair:
        assert lock.by_loop == pytest.approx((0.9, 0.3), abs=0.15)


def test_a_log_with_a_thread_comes_out_as_it_was():
    """Its waits are taken out and played again: the mean is the recorded one."""
    run = with_thread().run()
    again = play(known(run), parse_all(["scale work by=1"]), Setting()).run
    was, now = (r.loop_columns.period_ns.mean() for r in (run, again))
    assert now == pytest.approx(was, rel=0.02)
    labelled = run.with_names(tuple(run.names))
    assert seen_buses(labelled).inferred == {"shared with gyro.read"}


def test_a_call_of_no_bus_may_share_the_dearest():
    """Two reads of 2 ms on one bus cost the loop more than one of 3 ms on another."""
    calls = [("gyro.read", 0, 1), ("a.read", 1, 2), ("b.read", 3, 2), ("c.read", 5, 3)]
    bus = {"gyro.read": None, "a.read": "one", "b.read": "one", "c.read": "two"}
    names = {name: {"kind": "sensor read", "bus": at} for name, at in bus.items()}
    made = predict(make_run([10] * 300, calls, names), ["thread gyro.read"], keep_warmup=True,
                   buses={})  # fmt: skip
    (unknown,) = made.unknown_buses
    assert set(unknown.may_share_with) == {"a.read", "b.read"}


@pytest.mark.parametrize(
    ("bus", "all_named", "may"),
    [(None, True, True), (None, False, True), ("a", False, True), ("a", True, False)],
)
def test_a_call_of_no_kind_may_hold_the_bus(bus, all_named, may):
    """A frame of 8 ms that no name explains: on one bus, each read of the thread fits before it.

    The loop is then 8 ms, the read of 1 ms and the waking of its thread; apart, 0.2 ms of work and
    what is left. Who named all buses but that of the frame has said that it uses none.
    """
    calls = [("imu", 0, 1), ("enc", 1, 0.1), ("out", 1.1, 8), ("work", 9.1, 0.1)]
    on = {"kind": "sensor read", "bus": "b" if all_named else None}
    names = {"imu": {"kind": "sensor read", "bus": bus}, "enc": on, "work": "compute"}
    run = make_run([9.2] * 400, calls, names)
    for shared in (0.0, 1.0):
        at = play(known(run), parse_all(["thread imu rest-ms=3"]),
                  Setting(shared=shared, lock="fair"))  # fmt: skip
        expected = 9.02 if may and shared else 8.2
        assert at.run.loop_columns.period_ns.mean() / 1e6 == pytest.approx(expected, abs=0.12)


def test_what_the_times_show_of_a_bus_is_believed_until_a_call_is_moved():
    """A read in a thread keeps the bus that the times gave it, and one on an unseen bus is open."""
    seen = known(with_thread().run())
    assert "shared with gyro.read" in seen.inferred
    told = play(seen, parse_all(["thread enc.last.read"]))
    assert "bus" not in told.ranges
    open_ = play(seen, parse_all(["thread range.read"]))
    assert "bus" in open_.ranges


def test_at_the_middle_a_bus_that_is_not_known_counts_as_shared():
    """What is in question is played on its own below a half, and shared from a half on."""
    for shared, own in ((0.0, True), (0.49, True), (0.5, False), (1.0, False)):
        at = play(known(loop()), parse_all(["thread gyro.read"]), Setting(shared=shared))
        mean_ms = at.run.loop_columns.period_ns.mean() / 1e6
        assert bool(mean_ms == pytest.approx(7, abs=0.01)) is own


def test_calls_that_ran_at_once_share_no_bus():
    """The read that was made while the thread read lies on another bus than that."""
    apart = replace(seen_buses(loop()), apart=frozenset({("range.read", "gyro.read")}))
    for seen, expected in ((apart, {"enc.read"}), (None, {"enc.read", "range.read"})):
        at = Draft.of(replace(known(loop()), seen=seen), Setting())
        codes = [k for k, call in enumerate(at.names) if call.name != "gyro.read"]
        assert {at.names[c].name for c in _unnamed(at, codes, "gyro.read", None)} == expected


def test_a_bus_that_only_the_change_names_is_shared_by_nobody():
    """Moved to a bus of its own by the plan, a read in a thread takes its 3 ms off the loop."""
    made = predict(
        loop(), ["move gyro.read bus=aux", "thread gyro.read rest-ms=4"], keep_warmup=True
    )
    assert (made.until, made.verdict) == ("", "faster")
    assert made.change_ms.value == pytest.approx(-3, abs=0.01)


def test_labels_of_two_buses_do_not_hold_where_one_call_waits_for_the_other():
    """The encoder waits for the gyro's thread on one lock; the log's labels say two buses."""
    run = with_thread().run()
    said = {
        "gyro.read": "aux",
        "enc.read": "port",
        "enc.again.read": "port",
        "enc.last.read": "port",
    }
    names = tuple(replace(c, bus=said.get(c.name), kind="sensor read") for c in run.names)
    told = predict(run.with_names(names), ["unthread gyro.read"], keep_warmup=True)
    right = predict(
        run.with_names(tuple(replace(c, bus=c.bus and "port") for c in names)),
        ["unthread gyro.read"], keep_warmup=True,
    )  # fmt: skip
    assert told.change_ms.value == pytest.approx(right.change_ms.value)
    assert any("waits for it" in text for text in told.warnings)
    assert not any("waits for it" in text for text in right.warnings)


def test_a_call_that_is_served_beside_the_others_of_its_label_is_planned_off_their_bus():
    """A thread reads on the loop's bus and then computes 3 ms; the labels put all on one bus.

    With the label believed, the loop would wait for computing that it never waited for.
    """
    on = {"kind": "sensor read", "bus": "a"}
    played = play_threads(
        {
            "main": lambda rng: [
                Job("angle.read", 1.6, "a"),
                Job("mast.read", 1.0, "a"),
                Job("motor.write", 4.0),
            ],
            "laser": lambda rng: [
                Job("laser.read", 1.5, "a", gap_ms=rng.uniform(1, 3)),
                Job("laser.filter", 3.0 + rng.uniform(-1, 1)),
            ],
        },
        1500,
    )  # fmt: skip
    run = played.run()
    run = run.with_names(
        tuple(replace(c, **on) if c.name != "motor.write" else c for c in run.names)
    )
    seen = seen_buses(run)
    bus = {call.name: call.bus for call in seen.run.names}
    assert bus["laser.filter"] is None
    assert {bus[n] for n in ("angle.read", "mast.read", "laser.read")} == {"a"}
    assert "laser.filter is planned off a" in seen.doubts[0]
    waited = known(run).wait_by_bus()["a"] / 1e6 / len(run)
    assert waited == pytest.approx(sum(played.wait_ms().values()), rel=0.1)
