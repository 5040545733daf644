"""Parts of a row that lie on the other side of its stamp."""

import numpy as np
import pytest

from looptime.parsers.layouts.beside_stamp import beside_stamp, taken_over
from looptime.parsers.layouts.contract import LoopRows
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


def column(
    n=61, long=20, by=4001, still=0, rest=0, ended=False, gap=None, period=20_000, order=(0, 1)
):  # fmt: skip
    """The part that belongs to the row beside, of `n` rows of work and of a wait of 15 ms [us].

    `long` loops of even places work `by` longer and wait that much less; in `still` rows the wait
    is said to be 3 ms longer than it was; every second loop has `rest` in no part. Rows hold the
    wait before their stamp, or where they end their loops the one after it.
    """
    period = np.resize(period, n)
    work, wait = period - 15_000, np.full(n, 15_000)
    work[2 : 2 + 2 * long : 2] += by
    wait[2 : 2 + 2 * long : 2] -= by
    length = work + wait + np.where(np.arange(n) // 2 % 2, rest, 0)
    if gap is not None:
        length[gap] += 500_000
    stamp = np.cumsum(np.append(0, length[:-1]))
    logged = np.append(0, wait[:-1])
    logged[-7 : -7 + 2 * still : 2] += 3000
    if ended:
        stamp, logged = stamp + work, wait
    lost = None if gap is None else np.arange(n) == gap
    found = LoopRows(np.arange(n), 1000 * stamp, ended=ended, lost=lost)
    return beside_stamp(found, 1000 * np.stack([work, logged], axis=1)[:, order], 1000)


@pytest.mark.parametrize("ended", [False, True])
def test_twenty_rows_and_five_too_long_tell(ended):
    """The first row or the last has no stamp beside it; nor has one after which rows are lost."""
    assert column(21, 8, ended=ended) == 1
    assert column(20, 8, ended=ended) is None
    assert column(long=5, ended=ended) == 1
    assert column(long=4, ended=ended) is None
    assert column(gap=50, ended=ended) == 1
    assert column(order=(1, 0), ended=ended) == 0


@pytest.mark.parametrize(
    ("long", "still", "told"), [(20, 2, 1), (20, 3, None), (18, 2, 1), (20, 0, 1)]
)
def test_a_tenth_of_the_rows_may_stay_too_long(long, still, told):
    """Of 22, of 23, and of 20 that are longer than their loop: a wait too long makes its row so."""
    assert column(long=long, still=still) == told


@pytest.mark.parametrize(("rest", "told"), [(0, 1), (2600, 1), (4000, None)])
def test_half_of_what_no_part_covers_must_be_explained(rest, told):
    """Of 60 rows 40 are 4 ms off and the others half of `rest`, which stays: 42 and 60 %."""
    assert column(rest=rest) == told


@pytest.mark.parametrize(("by", "told"), [(1050, None), (1300, 1)])
def test_what_clocks_cut_off_makes_no_row_too_long(by, told):
    """Stamps of whole milliseconds, and parts of tenths or twentieths of one."""
    assert column(by=by, period=[20_000, 21_000, 23_000, 20_000, 26_000]) == told


def test_rows_that_give_their_period_or_one_part_tell_nothing():
    """Their parts are measured against that; one part alone has none beside it."""
    length = np.full(61, 20_000_000)
    assert column(period=20_000) == 1
    assert column(order=[1]) is None
    for given in ("body", "period"):
        work = LoopRows(np.arange(61), np.cumsum(length), **{given: length})
        parts = np.stack([np.resize([5, 9], 61), np.resize([11, 15], 61)], axis=1) * 1_000_000
        assert beside_stamp(work, parts, 1000) is None


def test_of_two_parts_the_one_that_leaves_less():
    """Work of 9 and 5 ms by turns, ever less by 50 us: two rows on it is nearly the same."""
    work = np.resize([9000, 5000], 61) - 50 * (np.arange(61) // 2)
    before = np.append(0, 18_000 - work[:-1])
    stamp = LoopRows(np.arange(61), 20_000_000 * np.arange(61))
    for place, parts in ((1, [work, before]), (0, [before, work])):
        assert beside_stamp(stamp, 1000 * np.stack(parts, axis=1), 1000) == place


def test_values_of_the_row_beside():
    assert taken_over(np.array([1, 2, 3]), False).tolist() == [2, 3, 0]
    assert taken_over(np.array([1, 2, 3]), True).tolist() == [0, 1, 2]
