"""From calls and marks to the instants of reading and use."""

import numpy as np
import pytest

from looptime.errors import LooptimeError, NotEnoughError, UsageError
from looptime.heading.instants import Labels, _last_before, sampling_from_run
from tests.build_run import make_run

READ_AND_WRITE = [("gyro.read", 1.0, 2.0), ("control", 3.0, 1.0), ("drive.write", 4.0, 1.5)]
KINDS = {"gyro.read": "sensor read", "control": "compute", "drive.write": "actuator write"}


def test_labelled_calls_give_both_instants():
    """Read from the start of its call, used at the end of the last actuator write."""
    run = make_run([10, 12, 10, 11], READ_AND_WRITE, KINDS)
    found = sampling_from_run(run, Labels("gyro.read", use_call="drive.write"))
    assert found.taken_s * 1e3 == pytest.approx([1, 11, 23, 33])
    assert found.use_s * 1e3 == pytest.approx([5.5, 15.5, 27.5, 37.5])
    assert found.latency_s * 1e3 == pytest.approx([4.5] * 3)
    assert found.hold_s * 1e3 == pytest.approx([10, 12, 10])
    assert found.start_s * 1e3 == pytest.approx([0, 10, 22, 32])


def test_end_of_a_call_that_waits():
    """Counted from the end of its call the reading is younger by the call's length."""
    run = make_run([10] * 4, READ_AND_WRITE, KINDS)
    found = sampling_from_run(run, Labels("gyro.read", read_instant="end"))
    assert found.latency_s * 1e3 == pytest.approx([2.5] * 3)


def test_read_is_guessed_from_its_name_and_that_is_said():
    """A sensor read with a heading word in its name serves, with a note."""
    found = sampling_from_run(make_run([10] * 4, READ_AND_WRITE, KINDS))
    assert found.latency_s * 1e3 == pytest.approx([4.5] * 3)
    assert any("'gyro.read' from its name" in note for note in found.notes)
    assert any("last actuator write" in note for note in found.notes)


def test_bare_stamps_take_the_loop_start_and_say_so():
    """Without calls the age is 0 at each loop's start and every period is a hold."""
    found = sampling_from_run(make_run([10, 20, 30]))
    assert found.hold_s * 1e3 == pytest.approx([10, 20, 30])
    assert found.latency_s == pytest.approx([0, 0, 0])
    assert sum("unknown: taken as the loop's start" in note for note in found.notes) == 2


def test_write_before_read_uses_the_reading_of_the_loop_before():
    """What is written before the read comes from the last loop's reading."""
    calls = [("drive.write", 0.0, 1.0), ("gyro.read", 2.0, 1.0)]
    found = sampling_from_run(make_run([10] * 5, calls, KINDS))
    assert found.use_s * 1e3 == pytest.approx([11, 21, 31, 41])
    assert found.latency_s * 1e3 == pytest.approx([9] * 3)


def test_read_in_every_second_loop_is_held():
    """Loops that do not read go on with the reading they have."""

    def calls(k):
        return READ_AND_WRITE if k % 2 == 0 else READ_AND_WRITE[1:]

    found = sampling_from_run(make_run([10] * 6, calls, KINDS))
    assert found.latency_s * 1e3 == pytest.approx([4.5, 14.5, 4.5, 14.5, 4.5])


def test_loop_without_a_write_leaves_the_command_in_force():
    """Loops that write nothing lengthen the hold of the command before them."""

    def calls(k):
        return READ_AND_WRITE[:2] if k == 2 else READ_AND_WRITE

    found = sampling_from_run(make_run([10] * 6, calls, KINDS))
    assert found.hold_s * 1e3 == pytest.approx([10, 20, 10, 10])


def test_last_of_several_writes_counts():
    """The use is the end of the loop's last actuator write."""
    calls = [*READ_AND_WRITE, ("lift.write", 7.0, 2.0)]
    found = sampling_from_run(make_run([10] * 4, calls, {**KINDS, "lift.write": "actuator write"}))
    assert found.latency_s * 1e3 == pytest.approx([8.0] * 3)


def _threaded(k):
    # the reader takes 6 ms and starts every 10 ms at 2 ms; it is done at 8 ms
    return [("drive.write", 4.0, 1.0), ("gyro.read", 2.0, 6.0, "reader")]


def test_reading_of_another_thread_is_the_newest_finished_at_the_loop_start():
    """Without a pick-up the newest reading finished before the loop began is used, and said."""
    found = sampling_from_run(make_run([10] * 5, _threaded, KINDS))
    # used at 15 ms: picked up at 10 ms, when the reading begun at 2 ms was there
    assert found.latency_s * 1e3 == pytest.approx([13.0] * 3)
    assert any("pick-up of the reading from its thread unknown" in n for n in found.notes)


def test_pickup_call_on_the_loop_thread():
    """With a pick-up call the newest reading finished by then is used."""

    def calls(k):
        return [*_threaded(k), ("heading.get", 8.5, 0.1), ("lift.write", 9.0, 0.5)]

    run = make_run([10] * 5, calls, {**KINDS, "lift.write": "actuator write"})
    found = sampling_from_run(run, Labels("gyro.read", "heading.get", "lift.write"))
    assert found.latency_s * 1e3 == pytest.approx([7.5] * 4)


def test_marks_of_the_recorder_say_when_a_reading_changed_hands():
    """Published and used marks decide, not the calls' ends."""
    marks = []
    for k in range(5):
        marks += [
            (10 * k + 9.0, "gyro.read", "published", "reader"),
            (10 * k + 3.0, "gyro.read", "used"),
        ]
    run = make_run([10] * 5, _threaded, KINDS, marks=marks)
    found = sampling_from_run(run)
    assert found.use_s * 1e3 == pytest.approx([15, 25, 35, 45])
    assert found.latency_s * 1e3 == pytest.approx([13.0] * 3)
    late = [(10 * k + 0.5, "gyro.read", "used") for k in range(5)]
    early = [(10 * k + 8.0, "gyro.read", "published", "reader") for k in range(5)]
    run = make_run([10] * 5, _threaded, KINDS, marks=[*late, *early])
    assert sampling_from_run(run).latency_s * 1e3 == pytest.approx([13.0] * 3)


def test_gaps_between_kept_loops_are_closed():
    """Loops left out of a run neither hold a command nor age a reading."""
    run = make_run([10] * 12, READ_AND_WRITE, KINDS)
    keep = np.ones(12, bool)
    keep[4:8] = False
    found = sampling_from_run(run.select(keep))
    assert found.hold_s * 1e3 == pytest.approx([10] * 7)
    assert found.latency_s * 1e3 == pytest.approx([4.5] * 7)
    assert any("gaps are closed" in note for note in found.notes)


@pytest.mark.parametrize(
    ("labels", "says"),
    [
        (Labels("giro.read"), "the nearest is 'gyro.read'"),
        (Labels("gyro.read", use_call="drive.wrote"), "the nearest is 'drive.write'"),
        (Labels("gyro.read", pickup_call="zzz"), "there are 'control'"),
        (Labels(read_instant="middle"), "use start or end"),
    ],
)
def test_call_that_is_not_there_suggests_the_nearest(labels, says):
    """A label that is not in the log is an error of use with a hint, in one line."""
    with pytest.raises(UsageError, match=says) as caught:
        sampling_from_run(make_run([10] * 4, READ_AND_WRITE, KINDS), labels)
    assert "\n" not in str(caught.value)


def test_label_in_a_log_without_calls():
    """Bare stamps have no call to name."""
    with pytest.raises(UsageError, match="has no calls"):
        sampling_from_run(make_run([10] * 4), Labels("gyro.read"))


@pytest.mark.parametrize("periods", [[10], [10, 10]])
def test_too_few_loops(periods):
    """Three loops are the least."""
    with pytest.raises(NotEnoughError, match="3 loops"):
        sampling_from_run(make_run(periods))


def test_reading_that_never_comes_before_a_use():
    """A log in which hardly any use has a reading behind it is not enough."""

    def calls(k):
        return READ_AND_WRITE if k == 3 else READ_AND_WRITE[1:]

    with pytest.raises(LooptimeError, match="only 1 loops"):
        sampling_from_run(make_run([10] * 4, calls, KINDS), Labels("gyro.read"))


def test_a_reading_that_is_published_within_its_call_was_taken_by_then():
    """The mark stands 1 ms before the call ends: no later instant can be that of the reading."""
    marks = [(10 * k + 2.0, "gyro.read", "published", "reader") for k in range(6)]
    calls = [("gyro.read", 0.0, 3.0, "reader"), ("drive.write", 5.0, 1.0)]
    run = make_run([10] * 6, calls, KINDS, marks=marks)
    found = sampling_from_run(run, Labels("gyro.read", use_call="drive.write", read_instant="end"))
    # picked up at the loop's start: the reading published 8 ms before, used 6 ms later
    assert found.latency_s * 1e3 == pytest.approx([14.0] * len(found))


def test_writes_of_other_threads_do_not_use_the_heading():
    """A write at the loop's end on a thread of its own leaves the use where the loop's own is."""
    calls = [*READ_AND_WRITE, ("lights.write", 7.0, 2.0, "lights")]
    found = sampling_from_run(
        make_run([10] * 4, calls, {**KINDS, "lights.write": "actuator write"})
    )
    assert found.use_s * 1e3 == pytest.approx([5.5, 15.5, 25.5, 35.5])


def test_what_is_ready_at_that_very_instant_is_there():
    """Handed over at 1 and at 3: a use at 3 has the later one, a use at 0.5 neither."""
    found = _last_before(np.array([1.0, 3.0]), np.array([0.5, 2.9, 3.0]), np.array([-1.0] * 3))
    assert found.tolist() == [-1.0, 1.0, 3.0]


def test_a_reading_used_at_its_very_end_is_the_one_just_finished():
    """Where no write is logged the reading's end is its use: it is never one loop older."""
    run = make_run([20.0] * 500, [("gyro.read", 1.0, 0.5)], {"gyro.read": "sensor read"})
    found = sampling_from_run(run, Labels("gyro.read"))
    assert found.latency_s * 1e3 == pytest.approx([0.5] * len(found))


@pytest.mark.parametrize(("every", "older"), [(5, [0, 10, 20, 30, 40]), (1, [0])])
def test_a_value_that_repeats_is_older_than_its_read(every, older):
    """The sensor measures every 5 loops of 10 ms; each loop reads it 4.5 ms before its use."""
    at = np.arange(500)
    turned = 30 * np.sin((at - at % every) / 40)
    run = make_run([10.0] * 500, READ_AND_WRITE, KINDS, signals={"heading_deg": turned})
    found = sampling_from_run(run, Labels("gyro.read"))
    assert np.unique(found.latency_s[100:400].round(6)) * 1e3 == pytest.approx(
        [4.5 + more for more in older]
    )
    assert any("new value every 50 ms" in note for note in found.notes) is (every > 1)


def test_a_value_that_repeats_because_it_is_seldom_read_is_as_old_as_its_read():
    """Read in each fifth loop, the value repeats in the others: its age is counted once."""
    at = np.arange(500)
    run = make_run(
        [10.0] * 500, lambda k: READ_AND_WRITE if k % 5 == 0 else READ_AND_WRITE[1:], KINDS,
        signals={"heading_deg": 30 * np.sin((at - at % 5) / 40)},
    )  # fmt: skip
    found = sampling_from_run(run, Labels("gyro.read"))
    assert found.latency_s.max() * 1e3 == pytest.approx(44.5)
