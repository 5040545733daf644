"""Intervals beside the parts of another loop: simulated in time, with what each loop took."""

import numpy as np
import pytest

import looptime
from looptime.parsers.columns.against_steps import Steps
from looptime.parsers.columns.other_row import own_rows
from looptime.parsers.columns.role import Seen
from tests.parsers.build import balance

LOOPS = 300


def loops(paced, seed=1):
    """What reading and scanning took in each loop, and the loop itself [ms]."""
    rng = np.random.default_rng(seed)
    read, scan = rng.uniform(1, 3, LOOPS), rng.uniform(4, 8, LOOPS)
    scan[rng.random(LOOPS) < 0.05] += 30
    period = read + scan + 0.2
    return read, scan, np.maximum(period, 14.0) if paced else period


def log(path, period, read, scan):
    """A line a loop, with its interval as it stands there."""
    rows = zip(period, read, scan, strict=True)
    text = "".join(f"{p:.3f},{r:.3f},{s:.3f}\n" for p, r, s in rows)
    path.write_text("dt_ms,gyro_ms,scan_ms\n" + text, encoding="utf-8")
    return looptime.read(path)


@pytest.mark.parametrize("paced", [False, True])
@pytest.mark.parametrize("move", [1, -1, 0])
def test_parts_are_charged_to_the_interval_that_is_theirs(tmp_path, move, paced):
    """The interval stands in the next row, in the last or in its own: each loop is its own length.

    Reading, scanning and 0.2 ms beside them, up to 14 ms where the loop waits for its tick.
    """
    read, scan, period = loops(paced)
    shown = {1: np.append(0.0, period[:-1]), -1: np.append(period[1:], 9.0), 0: period}[move]
    run = log(tmp_path / "log.csv", shown, read, scan)
    kept = {1: slice(0, -1), -1: slice(1, None), 0: slice(None)}[move]
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(period[kept], abs=1e-3)
    rest = (period - read - scan)[kept]
    assert run.unattributed_ns() / 1e6 == pytest.approx(rest, abs=2e-3)
    assert {name.name for name in run.names} == {"gyro", "scan"}
    assert len(run.set_aside) == abs(move)  # the row whose interval is not logged, once
    balance(run)


def test_as_asked_the_interval_is_of_its_own_row(tmp_path):
    """Rows said to be stamped at their ends: the interval before the row is their own."""
    read, scan, period = loops(paced=False)
    log(tmp_path / "log.csv", np.append(9.0, period[:-1]), read, scan)
    run = looptime.read(tmp_path / "log.csv", stamped="end")
    assert run.loop_columns.period_ns[0] == 9_000_000
    assert len(run) == LOOPS


def test_costs_that_wander_do_not_tell_of_which_row_they_are():
    """Parts that are much alike from loop to loop go with the intervals of all rows about."""
    rng = np.random.default_rng(2)
    work = 8 + np.cumsum(rng.normal(0, 0.05, LOOPS))
    seen = [Seen("period", work + 1), Seen("duration", work)]
    assert own_rows(seen, Steps.of(None, seen), clock=False)[1] == {}
    even = [Seen("period", np.full(LOOPS, 20.0)), Seen("duration", rng.uniform(1, 2, LOOPS))]
    assert own_rows(even, Steps.of(None, even), clock=False)[1] == {}


def table(path, header, columns):
    """A line a loop of columns of milliseconds."""
    rows = zip(*columns, strict=True)
    text = "".join(",".join(f"{cell:.3f}" for cell in row) + "\n" for row in rows)
    path.write_text(header + "\n" + text, encoding="utf-8")
    return looptime.read(path)


def late(values):
    """Lengths as the loop after each writes them down."""
    return np.append(0.0, values[:-1])


def stalls_beside(seed=3, count=LOOPS):
    """Parts that vary little, and what is in none of them: a stall in each 20th loop [ms]."""
    rng = np.random.default_rng(seed)
    read, scan, rest = rng.uniform(1.4, 1.6, count), rng.uniform(2, 3, count), np.full(count, 0.3)
    rest[19::20] += 6
    return read, scan, rest


@pytest.mark.parametrize("count", [40, LOOPS])
@pytest.mark.parametrize("lag", [False, True])
def test_stalls_in_no_part_hide_nothing_of_whose_interval_it_is(tmp_path, lag, count):
    """What the parts vary by is a twentieth of what the stalls do; none is longer than its loop."""
    read, scan, rest = stalls_beside(count=count)
    period = read + scan + rest
    run = table(tmp_path / "log.csv", "dt_ms,gyro_ms,scan_ms",
                (late(period) if lag else period, read, scan))  # fmt: skip
    kept = slice(0, -1) if lag else slice(None)
    assert run.unattributed_ns() / 1e6 == pytest.approx(rest[kept], abs=3e-3)
    assert {name.name for name in run.names} == {"gyro", "scan"}


@pytest.mark.parametrize("clock", [False, True])
@pytest.mark.parametrize("lag", [False, True])
def test_a_total_of_the_last_loop_is_put_beside_its_parts(tmp_path, lag, clock):
    """A paced loop tells nothing by its interval; its work does, 0.2 ms more than its parts."""
    read, scan, _ = loops(paced=True)
    scan = np.minimum(scan, 9.0)
    work, period = read + scan + 0.2, np.full(LOOPS, 14.0)
    columns = [late(work) if lag else work, read, scan]
    begin = np.cumsum(period) - period if clock else late(period) if lag else period
    header = "time_ms" if clock else "dt_ms"
    run = table(tmp_path / "log.csv", f"{header},loop_time_ms,gyro_ms,scan_ms", (begin, *columns))
    body = run.loop_columns.body_ns
    assert body is not None
    assert body / 1e6 == pytest.approx(work[: len(body)], abs=2e-3)


def test_a_total_alone_of_the_last_loop_is_the_length_of_that(tmp_path):
    """Without a clock and an interval the total is the loop; the last is in no row."""
    read, scan, rest = stalls_beside()
    work = read + scan + rest
    run = table(tmp_path / "log.csv", "total_ms,gyro_ms,scan_ms", (late(work), read, scan))
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(work[:-1], abs=2e-3)
    assert len(run.set_aside) == 1
    asked = looptime.read(tmp_path / "log.csv", stamped="end")
    assert asked.loop_columns.period_ns[-1] / 1e6 == pytest.approx(work[-2], abs=2e-3)


@pytest.mark.parametrize("lag", [False, True])
@pytest.mark.parametrize("seed", [2, 4, 5])
def test_sums_beside_their_parts_move_no_total_out_of_its_row(tmp_path, seed, lag):
    """Two groups with what is in them, their total, and 2 ms of sleep after that in every loop.

    Groups and their parts tell the same twice, so that slopes on all of them mean nothing.
    """
    rng = np.random.default_rng(seed)
    usual = ((1.1, 0.03), (2, 0.04), (6, 0.25), (1, 0.02))
    imu, scan, steer, lift = (rng.normal(ms, by, LOOPS) for ms, by in usual)
    sense, act = (a + b + rng.normal(0.05, 0.003, LOOPS) for a, b in ((imu, scan), (steer, lift)))
    busy = sense + act
    begin = np.cumsum(busy + 2) - busy - 2
    columns = (begin, sense, imu, scan, act, steer, lift, late(busy) if lag else busy)
    head = "time_ms,sense_ms,imu_ms,scan_ms,act_ms,steer_ms,lift_ms,busy_ms"
    run = table(tmp_path / "log.csv", head, columns)
    body = run.loop_columns.body_ns
    rest = (
        run.unattributed_ns() / 1e6 if body is None else (run.loop_columns.period_ns - body) / 1e6
    )
    assert rest == pytest.approx(np.full(len(run), 2.0), abs=4e-3)
    balance(run)
