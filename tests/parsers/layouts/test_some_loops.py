"""Rows that stand for some of the loops only, or sum up many of them."""

import numpy as np
import pytest

import looptime
from looptime.analysers.pacing import periods_told
from looptime.errors import LogError
from looptime.views.text.pace_text import pace_sentence
from tests.parsers.build import balance, periods_ms, read, self_ms

GYRO = [1.0, 2.0, 1.0, 3.0] * 8


def table(header, *columns):
    """Columns as a log."""
    rows = zip(*columns, strict=True)
    return header + "\n" + "".join(",".join(map(str, row)) + "\n" for row in rows)


def test_one_loop_in_ten(tmp_path):
    """The mean period is a tenth of the step, and nothing is said of single loops."""
    rows = np.arange(32)
    run = read(tmp_path, table("loop,t_ms,gyro_ms", 10 * rows, 80 * rows, GYRO))
    assert periods_ms(run) == [8.0] * 31
    assert self_ms(run)["gyro"] == GYRO[:31]
    assert not periods_told(run)
    assert run.clock.limits == ("one loop in 10 is logged",)
    said = pace_sentence(looptime.summarise(run))
    assert said == "125 loops a second; the log does not tell how long single loops take"
    balance(run)


@pytest.mark.parametrize("word", ["n", "i", "idx"])
def test_one_loop_in_ten_under_a_short_word(tmp_path, word):
    """The number goes on by ten in every row; one that goes on by what was sent may not."""
    rows = np.arange(32)
    run = read(tmp_path, table(f"{word},t_ms,gyro_ms", 10 * rows, 80 * rows, GYRO))
    assert periods_ms(run) == [8.0] * 31
    assert run.clock.limits == ("one loop in 10 is logged",)
    sent = np.cumsum(3 + rows % 4)
    assert (
        periods_ms(read(tmp_path, table(f"{word},t_ms,gyro_ms", sent, 8 * rows, GYRO)))
        == [8.0] * 31
    )


def test_gap_among_every_tenth(tmp_path):
    """Where more than ten loops passed the row before is set aside."""
    number = 10 * np.arange(32)
    number[20:] += 10
    run = read(tmp_path, table("loop,t_ms,gyro_ms", number, 8 * number, GYRO))
    assert periods_ms(run) == [8.0] * 30
    assert run.set_aside.counts == {"unfinished last loop": 1, "rows lost around it": 1}


def test_number_that_counts_something_else(tmp_path):
    """Loops numbered in threes whose parts would not fit into a third of a step adjoin."""
    rows = np.arange(32)
    run = read(tmp_path, table("loop,t_ms,gyro_ms", 3 * rows, 4 * rows, GYRO))
    assert periods_ms(run) == [4.0] * 31
    assert run.clock.limits == ()


def test_slow_loops_alone(tmp_path):
    """A log of slow loops alone says how long a loop takes on average, and nothing of the rest."""
    number = np.cumsum([3 + k * 7 % 40 for k in range(40)])
    log = table("loop,t_ms,loop_ms", number, 5 * number, [30 + k % 3 for k in range(40)])
    with pytest.raises(LogError, match=r"holds 40 of [\d,]+ loops, .* 5 ms on average \(200 a sec"):
        read(tmp_path, log)


def test_rows_lost_on_the_way(tmp_path):
    """Where most rows follow one another, only the loops before gaps are left out."""
    kept = [k for k in range(60) if k % 6]
    run = read(tmp_path, table("loop,t_ms", kept, [20 * k for k in kept]))
    assert set(periods_ms(run)) == {20.0}
    assert run.set_aside.counts["rows lost around it"] == 9


@pytest.mark.parametrize("mean", ["avg_ms", "mean (ms)", "loop average"])
def test_rows_of_a_second_each(tmp_path, mean):
    """Rows with a count of loops and their mean are no loops."""
    rows = np.arange(30)
    log = table(
        f"t_s,loops,{mean},max_ms", rows, 100 + rows % 4, 9.6 + rows % 3 / 10, 12 + rows % 5
    )
    with pytest.raises(LogError, match="sums up many loops"):
        read(tmp_path, log)
    assert len(read(tmp_path, log, layout="stamps")) == 29


def batches(sizes, loop_ms=10.0):
    """Rows of so many loops of about 10 ms each: begin, how many, and what two calls took in all"""
    draw = np.random.default_rng(4)
    steps = [float(loop_ms * n + draw.normal(0, 0.05)) for n in sizes]
    begin = np.cumsum([0.0, *steps])[:-1].round(3)
    return begin, sizes, np.round(3e3 * sizes, 1), np.round(4e3 * sizes, 1)


@pytest.mark.parametrize("header", ["loops", "number of cycles", "iterations per row"])
def test_rows_that_add_up_a_few_loops_each(tmp_path, header):
    """4 to 6 loops a row: the steps of the clock are as many times as long, and so are the sums."""
    sizes = np.random.default_rng(3).integers(4, 7, 60)
    log = table(f"t_ms,{header},work_us,imu_us", *batches(sizes))
    with pytest.raises(LogError, match=r"each row sums up several loops .*: 5 as a rule"):
        read(tmp_path, log)
    assert len(read(tmp_path, log, layout="costs")) == 59


def test_as_many_loops_in_each_row(tmp_path):
    """Five each time: a column that names nothing but loops says it."""
    log = table("t_ms,loops,work_us,imu_us", *batches(np.full(60, 5)))
    with pytest.raises(LogError, match="each row sums up several loops"):
        read(tmp_path, log)


def test_iterations_of_a_call_leave_rows_loops(tmp_path):
    """A solver takes 4 to 6 turns of 0.4 ms of a loop of 12 ms: the loop is longer by just these"""
    turns = np.random.default_rng(3).integers(4, 7, 60)
    solve = 0.4 * turns
    begin = np.cumsum(np.concatenate([[0], 10 + solve]))[:-1].round(3)
    run = read(tmp_path, table("t_ms,iterations,solve_ms", begin, turns, solve.round(3)))
    assert periods_ms(run) == pytest.approx((10 + solve)[:59])


def test_running_mean_beside_each_loop(tmp_path):
    """A mean in rows that are loops, with a count that goes up, refuses nothing."""
    rows = np.arange(30)
    log = table("t_ms,count,loop_ms,avg_ms", 10 * rows, rows, 9 + rows % 2, [9.5] * 30)
    assert periods_ms(read(tmp_path, log)) == [10.0] * 29


@pytest.mark.parametrize("limit", ["limit 20.0", "limit 20.0 ms", "budget 20 ms"])
@pytest.mark.parametrize("stamp", ["{:.3f}", "12:{:06.3f}"])
def test_rows_of_late_loops_alone_are_refused(tmp_path, limit, stamp):
    """Warnings seconds apart, each of a loop of 21 to 60 ms: no rate follows from them."""
    draw = np.random.default_rng(3)
    at, took = np.cumsum(draw.uniform(0.05, 2.3, 40)), draw.uniform(21, 60, 40)
    lines = [f"{stamp.format(t)} WARN loop overrun: {d:.1f} ms ({limit})\n"
             for t, d in zip(at, took, strict=True)]  # fmt: skip
    with pytest.raises(LogError, match=r"longer than 20 ms .*holds late loops only"):
        read(tmp_path, "".join(lines))


def test_late_loops_are_known_by_their_name_where_no_limit_stands_beside(tmp_path):
    """One of 40 is just within its limit; without one the word for it is enough, far apart."""
    draw = np.random.default_rng(3)
    at, took = np.cumsum(draw.exponential(0.8, 40)), draw.uniform(21, 60, 40)
    took[7] = 19.6
    limited = "".join(
        f"{t:.3f} loop took {d:.1f} ms, limit 20 ms\n" for t, d in zip(at, took, strict=True)
    )
    with pytest.raises(LogError, match=r"longer than 20 ms .*holds late loops only"):
        read(tmp_path, limited)
    named = "".join(
        f"12:{t:06.3f} loop overrun: {d:.1f}ms imu=3.1\n" for t, d in zip(at, took, strict=True)
    )
    with pytest.raises(LogError, match=r"longer than it should .*holds late loops only"):
        read(tmp_path, named)


def test_how_late_each_loop_of_a_paced_one_began_refuses_nothing(tmp_path):
    """Every loop begins 1 to 2 ms late, 20 ms apart: all rows are loops."""
    late = np.random.default_rng(3).uniform(1, 2, 60)
    rows = "".join(f"{20 * k},{one:.3f}\n" for k, one in enumerate(late))
    assert periods_ms(read(tmp_path, "t_ms,late_ms\n" + rows)) == [20.0] * 59


def test_a_loop_that_is_always_over_its_limit_is_read(tmp_path):
    """Rows that adjoin are loops, however late: 30 ms apart, 30 ms long, with 20 allowed."""
    lines = [f"{30 * k},{30 + k % 2},20,{k % 3}\n" for k in range(60)]
    run = read(tmp_path, "t_ms,loop_ms,limit_ms,x\n" + "".join(lines))
    assert np.median(run.loop_columns.period_ns) == 30_000_000


def test_instants_of_two_logs_row_by_row_are_refused(tmp_path):
    """Two robots of 15 ms, one 3 ms after the other: rows begin before the last has ended."""
    rng = np.random.default_rng(2)
    rows = []
    for since in (0, 3000):
        start = since + 15_000 * np.arange(200) + rng.integers(0, 60, 200)
        took = np.cumsum(rng.integers(2000, 3400, (200, 4)), axis=1)
        rows += np.column_stack([start, start[:, None] + took]).tolist()
    lines = (",".join(map(str, row)) for row in sorted(rows))
    log = "loop_start_us,gyro.read_end_us,drive.read_end_us,odometry_end_us,drive.write_end_us\n"
    with pytest.raises(LogError, match="2 logs stand line by line"):
        read(tmp_path, log + "\n".join(lines))


def test_how_late_loops_of_two_lengths_began_refuses_nothing(tmp_path):
    """Loops of 10 and 30 ms by turns of chance, begun 0.2 to 0.6 ms late: all rows are loops."""
    draw = np.random.default_rng(4)
    at = np.cumsum(draw.choice([10.0, 30.0], 200))
    rows = "".join(
        f"{t:.1f},{d:.2f}\n" for t, d in zip(at, draw.uniform(0.2, 0.6, 200), strict=True)
    )
    assert set(periods_ms(read(tmp_path, "t_ms,late_ms\n" + rows))) == {10.0, 30.0}


@pytest.mark.parametrize("word", ["loops", "iterations", "cycles", "loop"])
def test_a_row_every_so_many_loops_is_told_by_their_number_in_the_plural_too(tmp_path, word):
    """A row every 50 loops, 212 ms apart: a loop takes 4.24 ms on average, and no more is known."""
    rows = "".join(f"{50 * k},{510 + 212 * k}\n" for k in range(40))
    run = read(tmp_path, f"{word},time_ms\n{rows}")
    assert np.mean(periods_ms(run)) == pytest.approx(212 / 50)
    assert run.averaged


def test_rows_of_a_second_and_a_part_each(tmp_path):
    """Three parts a second, each with how often it ran and its mean: no loops either."""
    rows = [f"{t},{name},50,{mean + t % 3 / 100},{mean + 1}" for t in range(1, 30)
            for name, mean in (("gyro", 1.6), ("drive", 4.1), ("lift", 2.0))]  # fmt: skip
    with pytest.raises(LogError, match="each row sums up many loops"):
        read(tmp_path, "\n".join(["t_s,part,n,avg_ms,max_ms", *rows]))


@pytest.mark.parametrize(("word", "by"), [("tick", 20), ("sample", 16), ("n", 4), ("count", 10)])
def test_what_goes_on_evenly_beside_each_loop_is_no_number_of_loops(tmp_path, word, by):
    """A scheduler's ticks, samples taken, messages sent: each row of 20 ms is a loop."""
    rows = np.arange(32)
    run = read(tmp_path, table(f"t_ms,{word},gyro_ms", 20 * rows, by * rows, GYRO))
    assert periods_ms(run) == [20.0] * 31
    assert "is logged" not in " ".join(run.clock.limits)


@pytest.mark.parametrize(
    "header",
    ["sec,<5 ms,5-10 ms,10-20 ms,>20 ms", "time_s,le_5ms,le_10ms,le_20ms,inf",
     "s,bin_0_5,bin_5_10,bin_10_20,bin_20_inf", "<5 ms,5-10 ms,10-20 ms,>20 ms,loops"],
)  # fmt: skip
def test_rows_of_how_many_loops_took_how_long(tmp_path, header):
    """A histogram each second: 140 loops in each row, and none of them by itself."""
    rows = np.arange(32)
    few, many = 9 + rows % 3, 131 - rows % 3
    columns = [rows, many, few, 0 * rows, 0 * rows]
    columns = columns if header.startswith(("s", "t")) else [*columns[1:], many + few]
    with pytest.raises(LogError, match="each row counts loops by how long they took"):
        read(tmp_path, table(header, *columns))


def test_wheels_that_are_named_by_their_places_are_no_histogram(tmp_path):
    """What takes whole milliseconds under the names 1-2 and 3-4 is two calls."""
    rows = np.arange(32)
    run = read(tmp_path, table("t_ms,1-2 [ms],3-4 [ms]", 20 * rows, 3 + rows % 3, 5 + rows % 2))
    assert periods_ms(run) == [20.0] * 31


def test_a_mean_beside_the_longest_is_of_as_many_loops_as_go_into_the_row(tmp_path):
    """25 loops of 6 ms a row, by its mean; where the mean is a loop's own, each row is one."""
    rows = np.arange(32)
    mean, longest = 6 + rows % 3 / 100, 12 + rows % 5
    with pytest.raises(LogError, match=r"each row sums up many loops .*, about 25 times in a row"):
        read(tmp_path, table("t_ms,avg_ms,max_ms,gyro avg_ms", 150 * rows, mean, longest, GYRO))
    start = 6 * rows + rows % 2
    run = read(tmp_path, table("t_ms,avg_ms,max_ms,gyro_ms", start, mean, longest, GYRO))
    assert periods_ms(run) == np.diff(start).tolist()
