"""Calls whose clock begins anew with every loop."""

import numpy as np
import pytest

import looptime
from looptime.parsers.layouts.anew import laid_in_turn
from tests.parsers.build import read, self_ms

LOOPS, NAMES = 120, ("imu.read", "drive.write", "lift.update")


def _calls(rng):
    """Lengths of the calls of every loop and the pauses before them [us], shape (loops, 3)."""
    took = rng.integers(300, 900, (LOOPS, 3))
    took[5::30, 2] += 7000
    return took, rng.integers(5, 40, (LOOPS, 3))


@pytest.mark.parametrize("numbered", [True, False])
def test_loops_that_are_counted_from_their_begin_last_until_their_last_call_ends(
    tmp_path, numbered
):
    """Periods and self times are the generator's; what passes outside is said to be unseen."""
    took, pause = _calls(np.random.default_rng(1))
    pause[:, 0] = 0
    end = np.cumsum(took + pause, axis=1)
    start = end - took
    log = "loop,name,start_us,end_us\n" if numbered else "name,start_us,end_us\n"
    for k in range(LOOPS):
        head = f"{k + 40}," if numbered else ""
        log += "".join(
            f"{head}{n},{a},{b}\n" for n, a, b in zip(NAMES, start[k], end[k], strict=True)
        )
    run = read(tmp_path, log)
    assert run.loop_columns.period_ns.tolist() == (1000 * end[:-1, -1]).tolist()
    assert run.loop_columns.loop.tolist() == [k + 40 * numbered for k in range(LOOPS - 1)]
    for at, name in enumerate(NAMES):
        assert self_ms(run)[name] == [us / 1000 for us in took[:-1, at]]
    assert any("no clock in the log" in one for one in run.clock.limits)


def test_a_counter_that_wraps_in_any_call_goes_on(tmp_path):
    """16 bits of microseconds wrap every 30 loops, in any call: no loop is laid anew."""
    took, pause = _calls(np.random.default_rng(2))
    end = np.cumsum((took + pause).ravel()).reshape(took.shape)
    start = end - took
    log = "name,start_us,duration_us\n" + "".join(
        f"{NAMES[c]},{start[k, c] % 65536},{took[k, c]}\n" for k in range(LOOPS) for c in range(3)
    )
    path = tmp_path / "log.csv"
    path.write_text(log)
    run = looptime.read(path)
    assert len(run.clock.wraps) >= 3
    assert run.loop_columns.period_ns.sum() == 1000 * (start[-1, 0] - start[0, 0])


def _in_turn(loops=20, at=(), far=0, first=(), numbered=False):
    """Loops of a call of 100, another that begins with it, and a third up to 1,000.

    Those `at` begin at `far`; in those named `first` another call comes first.
    """
    start = np.tile([0, 0, 700], (loops, 1))
    start[list(at)] += far
    end = start + np.array([100, 50, 300])
    name = np.tile([0, 1, 2], (loops, 1))
    name[list(first), 0] = 3
    loop = np.repeat(np.arange(loops), 3) if numbered else None
    return start.ravel(), end.ravel(), name.ravel(), loop


def test_a_loop_lasts_to_the_end_of_its_longest_call():
    """Calls that begin at one instant are of one loop, and the first may enclose the others."""
    start = np.array([0, 0, 500] * 3)
    end = start + np.array([1000, 100, 100] * 3)
    begin, number = laid_in_turn(start, end, np.array([0, 1, 2] * 3), None)
    assert number.tolist() == [0] * 3 + [1] * 3 + [2] * 3
    assert begin.tolist() == [0] * 3 + [1000] * 3 + [2000] * 3


@pytest.mark.parametrize("numbered", [False, True])
@pytest.mark.parametrize(
    ("far", "at", "laid"),
    [(100, range(20), True), (112, range(20), False), (-5, range(20), False),
     (400, [7], True), (400, [7, 9], False)],
)  # fmt: skip
def test_loops_begin_at_about_nought(numbered, far, at, laid):
    """Within a tenth of their length of 1,000, and not before it, in 19 loops of 20."""
    found = laid_in_turn(*_in_turn(at=at, far=far, numbered=numbered))
    assert (found is not None) is laid


@pytest.mark.parametrize(
    ("numbered", "first", "laid"),
    [(False, [4], True), (False, [4, 8], False), (True, range(0, 20, 2), True)],
)
def test_without_numbers_one_call_comes_first(numbered, first, laid):
    """In 19 loops of 20; where loops are numbered, any call may."""
    found = laid_in_turn(*_in_turn(first=first, numbered=numbered))
    assert (found is not None) is laid


@pytest.mark.parametrize(("goes_on", "laid"), [(1, True), (2, False)])
def test_nearly_every_new_number_is_a_fall(goes_on, laid):
    """Of 20 changes of the number, one may come while the clock goes on."""
    start, end, name, loop = _in_turn(21, numbered=True)
    for k in range(3, 3 + 4 * goes_on, 4):  # the loop before is cut short, this one lies beyond it
        start[3 * k : 3 * k + 3] += 710
        end[3 * k : 3 * k + 3] += 710
    assert (np.diff(start)[np.diff(loop) != 0] < 0).mean() == 1 - goes_on / 20
    found = laid_in_turn(start, end, name, loop)
    assert (found is not None) is laid


@pytest.mark.parametrize(("falls", "laid"), [(1, True), (2, False)])
def test_nearly_every_fall_is_a_new_number(falls, laid):
    """Of 20 falls, one may lie within a loop."""
    start, end, name, loop = _in_turn(19 + (falls == 1), numbered=True)
    for k in range(2, 2 + 3 * falls, 3):
        start[3 * k + 1] = -1
    inside = (np.diff(start) < 0) & (np.diff(loop) == 0)
    assert inside.sum() == falls
    assert (np.diff(start) < 0).sum() == 20
    found = laid_in_turn(start, end, name, loop)
    assert (found is not None) is laid
