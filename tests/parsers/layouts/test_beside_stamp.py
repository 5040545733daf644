"""Parts of a row that lie on the other side of its stamp."""

import numpy as np
import pytest

from tests.parsers.build import read, self_ms

N = 120
RNG = np.random.default_rng(5)
#: Whole microseconds; every thirtieth lift takes three ticks of 20 ms and a half.
GYRO = RNG.integers(1800, 2400, N)
LIFT = np.where(np.arange(N) % 30 == 29, 70_000, RNG.integers(3000, 5000, N))
WAIT = np.maximum(20_000 - GYRO - LIFT, 0)


def text(header, *columns):
    """Columns of whole microseconds as a log."""
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return header + "".join(",".join(map(str, row)) + "\n" for row in rows)


def sums(run):
    """Milliseconds of each call over all loops."""
    return {name: round(sum(ms), 3) for name, ms in self_ms(run).items()}


@pytest.mark.parametrize("name", ["slept_us", "hold_us", "before_us"])
def test_wait_that_a_row_s_stamp_ends_is_of_the_loop_before(tmp_path, name):
    """Each row holds what was waited before its stamp: no loop is longer than it, or uncovered."""
    stamp = np.cumsum(np.append(0, (GYRO + LIFT + WAIT)[:-1]))
    before = np.append(0, WAIT[:-1])
    run = read(tmp_path, text(f"awake_us,gyro_us,lift_us,{name}\n", stamp, GYRO, LIFT, before))
    period = run.loop_columns.period_ns / 1e6
    assert np.allclose(sum(np.array(ms) for ms in self_ms(run).values()), period)
    assert sums(run)[name[:-3]] == WAIT[:-1].sum() / 1000
    assert any("of each row lies before its stamp" in note for note in run.clock.notes)


def test_wait_that_follows_a_row_stamped_at_its_end(tmp_path):
    """The row is written when the work is done, and holds the wait after that."""
    done = np.cumsum(GYRO + LIFT + np.append(0, WAIT[:-1]))
    log = text("t_us,gyro_us,lift_us,rest_us\n", done, GYRO, LIFT, WAIT)
    run = read(tmp_path, log)
    period = run.loop_columns.period_ns / 1e6
    assert np.allclose(sum(np.array(ms) for ms in self_ms(run).values())[1:], period[1:])


def test_reading_taken_before_the_stamp_of_a_free_loop(tmp_path):
    """It need be no wait: the gyro is read, the clock then, and the lift is moved."""
    stamp = np.cumsum(np.append(0, (LIFT[:-1] + GYRO[1:] + 30)))
    run = read(tmp_path, text("t_us,gyro_us,lift_us\n", stamp, 6 * GYRO - 5 * 1800, LIFT))
    assert not any("of each row lies" in note for note in run.clock.notes)  # no such sums add up
    run = read(tmp_path, text("t_us,gyro_us,lift_us\n", stamp, GYRO, LIFT))
    assert any("gyro of each row lies before its stamp" in note for note in run.clock.notes)
    assert sums(run)["gyro"] == GYRO[1:].sum() / 1000


def test_rows_that_hold_their_own_loops_stay_as_they_are(tmp_path):
    """A wait in its own row, a stamp that jitters, and a part that runs beside the others."""
    stamp = np.cumsum(np.append(0, (GYRO + LIFT + WAIT)[:-1]))
    late = stamp + RNG.integers(0, 400, N)
    beside = RNG.integers(1000, 19_000, N)
    for at, part in ((stamp, WAIT), (late, WAIT), (stamp, beside)):
        run = read(tmp_path, text("t_us,gyro_us,lift_us,part_us\n", at, GYRO, LIFT, part))
        assert not any("of each row lies" in note for note in run.clock.notes)
        waited = sums(run).get("part", 0)
        assert waited == (WAIT[:-1].sum() / 1000 if part is WAIT else 0)  # one beside is no part
