"""What is proposed for a log, and what is left out before it is tried."""

import pytest

from looptime.planner import suggest
from looptime.planner.play.draft import known
from looptime.planner.search.candidates import candidates
from tests.build_run import make_run
from tests.planner.robot import LABELS, Robot, record

NAMES = {"gyro.read": "sensor read", "range.read": "sensor read", "drive.write": "actuator write"}


def reads(heading_call=None):
    """Fewer reads that are proposed, and what is not, for a loop of two dear reads."""
    calls = [("gyro.read", 0, 3), ("range.read", 3, 3), ("drive.write", 6.5, 1)]
    made, left = candidates(known(make_run([10.0] * 80, calls, NAMES)), None, heading_call)
    fewer = {name for c in made for name in c.calls if c.changes[0].startswith("every ")}
    return fewer, {one.text: one.why for one in left if one.text.startswith("every ")}


def test_the_heading_is_not_read_less_often_by_its_name_alone():
    """Where nobody says which call reads the heading, the one with such a name is spared."""
    fewer, left = reads()
    assert fewer == {"range.read"}
    (why,) = left.values()
    assert why.startswith("by its name it reads the heading")


def test_the_stated_heading_read_is_spared_and_no_other():
    """What is stated wins over a name."""
    fewer, left = reads("range.read")
    assert fewer == {"gyro.read"}
    assert list(left.values()) == ["it reads the heading, which must be young"]


@pytest.mark.parametrize("name", ["steerRead", "readFrontSteer", "front_steer.read", "WheelRead"])
def test_a_read_that_steers_is_spared_however_its_words_are_joined(name):
    """The same word says the same in each way of writing names."""
    calls = [(name, 0, 3), ("range.read", 3, 3), ("drive.write", 6.5, 1)]
    run = make_run([10.0] * 80, calls, {**NAMES, name: "sensor read"})
    made, left = candidates(known(run), None, None)
    fewer = {one for c in made for one in c.calls if c.changes[0].startswith("every ")}
    assert fewer == {"range.read"}
    (why,) = (one.why for one in left if one.text.startswith("every "))
    assert why.startswith("by its name wheels are steered")


def test_reads_on_two_buses_are_not_batched_together():
    """Each proposed batch stays on one bus."""
    labels = {**LABELS, "encoder.rl.read": {"kind": "sensor read", "bus": "aux"},
              "encoder.rr.read": {"kind": "sensor read", "bus": "aux"}}  # fmt: skip
    run = make_run(
        [10.0] * 80,
        [(f"encoder.{w}.read", 2 * i, 1.5) for i, w in enumerate(("fl", "fr", "rl", "rr"))],
        labels,
    )
    found = suggest(run)
    batches = {c for p in found.proposed for c in p.changes if c.startswith("batch")}
    assert batches == {"batch encoder.fl.read encoder.fr.read",
                       "batch encoder.rl.read encoder.rr.read"}  # fmt: skip


def test_a_reading_is_moved_before_the_first_write_of_the_loop():
    """The write that comes first uses it too, whatever the calls are called."""
    names = {"gyro.read": "sensor read", "wheels.write": "actuator write",
             "arm.write": "actuator write"}  # fmt: skip
    calls = [("gyro.read", 0, 1), ("work", 1, 4), ("wheels.write", 5, 1), ("arm.write", 7, 1)]
    made, _ = candidates(known(make_run([10.0] * 60, calls, names)), heading_call="gyro.read")
    later = [c.changes for c in made if c.changes[0].startswith("later")]
    assert later == [("later gyro.read before=wheels.write",)]


def test_messages_are_proposed_at_a_fifth_of_their_rate():
    """Sent every 100 ms they go out every 500 ms; from every loop, four times a second."""
    made, _ = candidates(known(record(Robot(), 10, loops=1000)))
    (one,) = [c for c in made if c.changes == ("every telemetry.send ms=500",)]
    assert (
        one.say == "Call telemetry.send every 500 ms, not every 100 ms"
    )  # as every rhythm is told
    made, _ = candidates(
        known(make_run([10.0] * 60, [("telemetry.send", 1, 1)], {"telemetry.send": "telemetry"}))
    )
    assert ("every telemetry.send ms=250",) in [c.changes for c in made]


@pytest.mark.parametrize(("busy_ms", "proposed"), [(1.0, True), (8.0, False)])
def test_a_busy_bus_takes_no_more(busy_ms, proposed):
    """A bus in use for a tenth of the time may take a read over, one in use for 80 % may not."""
    bus = {"kind": "sensor read", "bus": "port"}
    names = {"gyro.read": bus, "wheels.read": bus,
             "range.read": {"kind": "sensor read", "bus": "aux"}}  # fmt: skip
    calls = [("gyro.read", 0, 3), ("wheels.read", 3, 1), ("range.read", 1, busy_ms, "range")]
    made, _ = candidates(known(make_run([10.0] * 60, calls, names)))
    moved = ("move gyro.read bus=aux", "thread gyro.read rest-ms=5")
    assert (moved in [c.changes for c in made]) is proposed


@pytest.mark.parametrize(
    ("calls", "offered"),
    [
        ([("alpha", 0, 2), ("beta", 2, 2), ("gamma", 4, 2), ("mix", 6, 3)], "alpha beta gamma"),
        ([("alpha", 0, 2), ("mix", 2, 3), ("beta", 5, 2), ("gamma", 7, 2)], None),  # not in a row
        ([("alpha", 0, 1.5), ("beta", 1.5, 2), ("gamma", 3.5, 2.6), ("mix", 6.1, 3)], None),
        ([("alpha", 0, 2), ("beta", 2, 2), ("mix", 4, 5)], None),  # two by chance
    ],
)
def test_like_calls_of_unknown_kind_in_a_row_are_offered_with_the_doubt(calls, offered):
    """Whether they are transactions on one bus is to be seen first; the others wait for a kind."""
    names = dict.fromkeys(("alpha", "beta", "gamma", "mix"), "other")
    made, left = candidates(known(make_run([10.0] * 80, calls, names)))
    assert [c.changes[0] for c in made] == [f"batch {offered}"] * bool(offered)
    assert all(c.say.startswith("If they talk to one bus") for c in made)
    assert "mix" in {one.text for one in left}
    assert not {one.text for one in left}.intersection((offered or "").split())


def test_reads_of_which_only_the_bus_is_missing_ask_for_it():
    """Two reads of unlike names may share a bus; on named ones there is nothing to ask."""
    calls = [("imu.read", 0, 2), ("range.read", 2, 4), ("drive.write", 6.5, 1)]
    for bus, asks in ((None, 1), ("front", 0)):
        read = {"kind": "sensor read", "bus": bus}
        names = {"drive.write": "actuator write", "imu.read": read, "range.read": read}
        _, left = candidates(known(make_run([10.0] * 80, calls, names)))
        asked = [one.why for one in left if one.text == "batch imu.read and range.read"]
        assert len(asked) == asks
        assert all("name it as bus under [[call]]" in why for why in asked)
