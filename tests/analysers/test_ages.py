"""Ages at the named instants: worked out by hand, and the same wherever they are shown."""

import numpy as np
import pytest

from looptime.analysers.ages import Reading, readings, uses_of
from looptime.analysers.freshness import freshness
from looptime.heading import Labels, sampling_from_run
from looptime.planner.answer.reading_age import reading_ages
from looptime.project import Heading
from looptime.run import Run
from tests.build_run import make_run
from tests.parsers.build import read

NAMES = {
    "gyro.read": "sensor read",
    "left.write": "actuator write",
    "right.write": "actuator write",
}
WRITES = [("left.write", 6, 1), ("right.write", 8, 1)]


def ms(ages: np.ndarray | None) -> list[float]:
    """Ages in milliseconds."""
    return [] if ages is None else (ages / 1e6).tolist()


def only(run: Run, read_instant: str = "start") -> Reading:
    """The one reading of a run."""
    (found,) = readings(run, read_instant=read_instant)
    return found


def marks_of(loops: int, published_at: float, used_at: float) -> list[tuple[object, ...]]:
    """One reading published and one used in each loop of 10 ms."""
    return [
        mark
        for k in range(loops)
        for mark in (
            (10 * k + published_at, "gyro.read", "published", "gyro"),
            (10 * k + used_at, "gyro.read", "used"),
        )
    ]


def test_a_read_in_the_loop() -> None:
    """Read from 1 to 3 ms, written from 6 to 9 ms: 2, 5 and 8 ms old; 0, 3 and 6 from its end."""
    run = make_run([10] * 4, [("gyro.read", 1, 2), *WRITES], NAMES)
    for instant, pick_up, first, last in (("start", 2, 5, 8), ("end", 0, 3, 6)):
        at = only(run, instant)
        assert ms(at.age_at_pickup()) == [pick_up] * 4
        assert ms(at.age_at_first_use()) == [first] * 4
        assert ms(at.age_at_last_use()) == [last] * 4


def test_what_is_read_between_two_writes_is_younger_at_the_last() -> None:
    """Written at 1 ms, read from 3 to 5, written until 9: the first use has the last loop's."""
    calls = [("left.write", 1, 1), ("gyro.read", 3, 2), ("right.write", 8, 1)]
    at = only(make_run([10] * 3, calls, NAMES))
    assert ms(at.age_at_first_use()) == [8, 8]  # the first loop's has nothing to use
    assert ms(at.age_at_last_use()) == [6, 6, 6]


def test_a_reading_that_is_handed_over() -> None:
    """Taken from 0 to 4 ms by a thread, published at 4, picked up at 5, written from 6 to 9."""
    run = make_run([10] * 4, [("gyro.read", 0, 4, "gyro"), *WRITES], NAMES, marks=marks_of(4, 4, 5))
    at = only(run)
    assert (ms(at.age_at_pickup()), ms(at.age_at_first_use())) == ([5] * 4, [6] * 4)
    assert ms(at.age_at_last_use()) == [9] * 4
    at = only(run, "end")
    assert ms(at.age_at_pickup()) == [1] * 4


def test_a_pick_up_after_the_first_write_serves_the_last() -> None:
    """Picked up at 7 ms, between the writes: at first use it is the loop before's reading."""
    run = make_run([10] * 3, [("gyro.read", 0, 4, "gyro"), *WRITES], NAMES, marks=marks_of(3, 4, 7))
    at = only(run)
    assert ms(at.age_at_first_use()) == [16, 16]
    assert ms(at.age_at_last_use()) == [9, 9, 9]


def test_a_mark_within_its_call_is_of_that_call() -> None:
    """Published at 3 ms by a call that goes on to 4: taken at 0, or as it was published."""
    run = make_run([10] * 2, [("gyro.read", 0, 4, "gyro"), *WRITES], NAMES, marks=marks_of(2, 3, 5))
    assert ms(only(run).age_at_pickup()) == [5, 5]
    assert ms(only(run, "end").age_at_pickup()) == [2, 2]


def test_another_threads_reading_without_marks_has_no_pick_up() -> None:
    """The log does not show when the loop took it; at the write it has the latest one."""
    run = make_run([10] * 3, [("gyro.read", 0, 4, "gyro"), *WRITES], NAMES)
    at = only(run)
    assert at.age_at_pickup() is None
    assert ms(at.age_at_first_use()) == [6, 6, 6]


def test_marks_without_calls_still_tell_ages() -> None:
    """A reading that is marked and not timed is taken when it is published."""
    run = make_run([10] * 3, WRITES, {**NAMES}, marks=marks_of(3, 4, 5))
    at = only(run)
    assert (ms(at.age_at_pickup()), ms(at.age_at_first_use())) == ([1] * 3, [2] * 3)
    assert at.thread == -1


def test_a_loop_that_writes_nothing_is_no_use() -> None:
    """Written in every second loop: two uses of four, and the loop's end where none is written."""
    run = make_run([10] * 4, lambda k: [("gyro.read", 1, 2), *(WRITES if k % 2 else [])], NAMES)
    assert uses_of(run).loop.tolist() == [1, 3]
    assert ms(only(run).age_at_first_use()) == [5, 5]
    silent = make_run([10] * 4, [("gyro.read", 1, 2)], NAMES)
    assert not uses_of(silent).written
    assert ms(only(silent).age_at_last_use()) == [9] * 4


def test_nested_and_other_threads_writes() -> None:
    """The last use ends with the outer write; what another thread writes is no use by the loop."""
    calls = [("gyro.read", 1, 2), ("left.write", 4, 5), ("right.write", 5, 1),
             ("lights", 3, 1, "lights")]  # fmt: skip
    at = only(make_run([10] * 2, calls, {**NAMES, "lights": "actuator write"}))
    assert (ms(at.age_at_first_use()), ms(at.age_at_last_use())) == ([3, 3], [8, 8])


@pytest.mark.parametrize("handed", [False, True])
@pytest.mark.parametrize("instant", ["start", "end"])
def test_every_place_shows_the_same_age_under_the_same_name(handed: bool, instant: str) -> None:
    """Summary and plan at first use; summary and heading at last use: uneven loops and reads."""
    rng = np.random.default_rng(7)
    period, took, wait = (rng.integers(low, high, 400) / 1000 for low, high in
                          ((9_000, 14_000), (500, 2_000), (100, 1_000)))  # fmt: skip
    begin = np.cumsum(period) - period
    marks = [
        mark
        for k in range(400)
        for mark in (
            (begin[k] + 0.5 + took[k], "gyro.read", "published", "gyro"),
            (begin[k] + 3, "gyro.read", "used"),
        )
    ]
    thread = ("gyro",) if handed else ()
    run = make_run(
        period.tolist(),
        lambda k: [("gyro.read", 0.5, took[k], *thread), ("left.write", 3 + wait[k], 1),
                   ("right.write", 5 + wait[k], 1)],
        NAMES, marks=marks if handed else (),
    )  # fmt: skip
    (shown,) = freshness(run, read_instant=instant)
    planned = reading_ages(run, Heading(read_instant=instant))["gyro.read"]
    taken = begin + 0.5 + (took if instant == "end" else 0)
    first, last = begin + 3 + wait - taken, begin + 6 + wait - taken
    assert shown.age_at_first_use_ms is not None
    assert shown.age_at_last_use_ms is not None
    assert planned.mean == pytest.approx(first.mean())
    assert planned.max == shown.age_at_first_use_ms.max == pytest.approx(first.max())
    latency = sampling_from_run(run, Labels(read_call="gyro.read", read_instant=instant)).latency_s
    assert shown.age_at_last_use_ms.max == pytest.approx(last.max())
    assert 1e3 * latency == pytest.approx(last[: len(latency)])


def test_a_thread_that_never_rests_publishes_as_its_next_reading_begins():
    """Readings of 3 ms from 0, 3, 6 ...: what is published at 6 ms was begun at 3 ms."""
    run = make_run(
        [9.0] * 20,
        [("gyro.read", at, 3, "reader") for at in (0, 3, 6)] + [("left.write", 7, 1)],
        NAMES,
        marks=[
            mark for k in range(20) for mark in (
                (9 * k + 3, "gyro.read", "published", "reader"),
                (9 * k + 6, "gyro.read", "published", "reader"), (9 * k + 6.5, "gyro.read", "used"),
            )
        ],
    )  # fmt: skip
    assert ms(only(run).age_at_pickup()) == [3.5] * 20


@pytest.mark.parametrize(("step", "length_step"), [(1, 1), (10, 10), (1, 100), (1000, 1000)])
def test_a_read_that_ends_within_rounding_of_the_write_was_ready_for_it(
    tmp_path, step, length_step
):
    """Calls back to back, start and length rounded apart [0.1 us]: each loop's own read is used.

    By hand: the write begins where the read ends, so the reading is as old as the read was long. A
    read after the write is the next loop's, even on a clock too coarse to tell the two apart.
    """
    rng = np.random.default_rng(3)
    lengths = rng.uniform(7_000, 23_000, 2_000), rng.uniform(500, 9_000, 2_000)
    other = np.full(2_000, 31_000.0)
    at = np.cumsum(np.stack([*lengths, other], axis=1).ravel())
    at = np.append(0.0, at[:-1]).reshape(-1, 3)
    rows = ["loop,name,start_us,duration_us"]
    for k, (first, write, late) in enumerate(at.tolist()):
        for name, start, length in (
            ("lift.read", first, lengths[0][k]), ("drive.write", write, lengths[1][k]),
            ("level.read", late, other[k]),
        ):  # fmt: skip
            begun, took = (round(x / s) * s / 10 for x, s in ((start, step), (length, length_step)))
            rows.append(f"{k},{name},{begun:.1f},{took:.1f}")
    run = read(tmp_path, "\n".join(rows))
    found = {run.names[one.code].name: one for one in readings(run)}
    age, level = (found[name].age_at_first_use() for name in ("lift.read", "level.read"))
    assert len(age) == len(run)
    np.testing.assert_allclose(age, lengths[0][: len(age)] * 100, atol=1.5 * step * 100)
    np.testing.assert_allclose(level, (lengths[0][1:] + other[:-1])[: len(level)] * 100,
                               atol=1.5 * step * 100)  # fmt: skip
    if (step, length_step) == (1, 1):  # so it was: some ends lie after the write's begin
        calls = run.call_columns
        ends = calls.start_ns + calls.duration_ns
        assert (ends[:-1] > calls.start_ns[1:]).sum() > 100
