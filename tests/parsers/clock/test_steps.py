"""Steps in a clock: told apart, repaired or cut, and told with their lines."""

from operator import itemgetter

import numpy as np
import pytest

import looptime
from looptime.parsers.read import read_log

RNG = np.random.default_rng(20)


def write(tmp_path, times, header="time_ms,x", values=None, name="log.csv"):
    """A log of stamps; line k + 2 holds stamp k."""
    values = range(len(times)) if values is None else values
    rows = "".join(f"{t},{v}\n" for t, v in zip(times, values, strict=True))
    path = tmp_path / name
    path.write_text(f"{header}\n{rows}", encoding="utf-8")
    return path


def logs(tmp_path, times, **given):
    """The runs of a log of stamps, whose rows must all be accounted for."""
    log = read_log(write(tmp_path, times, **given))
    for run in log.runs:
        assert run.rows_used + len(run.set_aside) == run.rows_read
        assert (np.diff(run.loop_columns.start_ns) >= 0).all()
    assert log.rows_read == len(times)
    return log


def periods(run, unit=1e6):
    return (run.loop_columns.period_ns / unit).tolist()


@pytest.mark.parametrize(
    ("header", "step", "modulus"),
    [
        ("time_ms,x", 20, 2**16),
        ("time_ms,x", 10, 2**29),
        ("time_ms,x", 10, 2**30),
        ("time_us,x", 10_000, 2**31),
        ("time_us,x", 10_000, 2**32),
    ],
)
def test_counter_wraps(tmp_path, header, step, modulus):
    """Counters of 16, 29, 30, 31 and 32 bits go on counting where they wrap."""
    true = modulus - 50 * step - 7 + step * np.arange(100)
    log = logs(tmp_path, true % modulus, header=header)
    run = log.runs[0]
    unit = 1e6 if "ms" in header else 1e3
    assert periods(run, unit) == [step] * 99
    assert run.clock.wraps[0]["line"] == 2 + 51
    assert len(run.clock.wraps) >= 1
    assert not run.clock.restarts


def test_sixteen_bit_microseconds_wrap_in_every_few_rows(tmp_path):
    """A 16-bit counter of microseconds at 40 ms a loop wraps in most steps, and that is told."""
    true = 40_000 * np.arange(200)
    run = logs(tmp_path, true % 2**16, header="time_us,x").runs[0]
    assert periods(run) == [40.0] * 199
    assert len(run.clock.wraps) == 40_000 * 199 // 2**16
    assert "cannot be told" in run.clock.wraps[0]["note"]


def test_signed_counter_turns_negative(tmp_path):
    """A 32-bit counter printed as signed falls from +2^31 - 1 to -2^31."""
    true = 2**31 - 500_000 + 10_000 * np.arange(100)
    run = logs(tmp_path, (true + 2**31) % 2**32 - 2**31, header="time_us,x").runs[0]
    assert periods(run) == [10.0] * 99
    assert run.clock.wraps[0]["line"] == 2 + 50
    assert "2^32 us" in run.clock.wraps[0]["note"]


def test_milliseconds_of_a_microsecond_counter(tmp_path):
    """2^32 us is 4 294 967.296 ms, where a counter of milliseconds derived from it wraps."""
    true_us = 2**32 - 500_000 + 10_000 * np.arange(100)
    run = logs(tmp_path, true_us % 2**32 / 1000, header="time_ms,x").runs[0]
    assert periods(run) == [10.0] * 99
    assert "71.58 min" in run.clock.wraps[0]["note"]


def test_signed_microseconds_as_unsigned_milliseconds(tmp_path):
    """Milliseconds that leap to 4 292 819 813 come from signed microseconds; time goes on."""
    true_us = 2**31 - 500_000 + 10_000 * np.arange(100)
    signed = (true_us + 2**31) % 2**32 - 2**31
    run = logs(tmp_path, (signed / 1000) % 2**32, header="time_ms,x").runs[0]
    assert np.allclose(periods(run), 10.0, atol=0.002)
    assert len(run.clock.wraps) == 1


def test_modulus_learned_from_the_data(tmp_path):
    """A counter that wraps at 41.3 s, on no list, is learned from two wraps."""
    true = 13_000 + 10 * np.arange(10_000) + RNG.integers(-2, 3, 10_000)
    run = logs(tmp_path, true % 41_303).runs[0]
    assert len(run) == 9_999
    assert len(run.clock.wraps) == 2
    assert "learned" in run.clock.wraps[0]["note"]
    assert np.median(periods(run)) == 10
    assert max(periods(run)) <= 17


def test_restart_begins_a_new_run(tmp_path):
    """A clock that begins anew makes a second run; each has its own rows."""
    times = [*range(500, 900, 10), *range(503, 803, 10)]
    log = logs(tmp_path, times)
    assert [len(run) for run in log.runs] == [39, 29]
    assert log.runs[0].clock.restarts == (2 + 40,)
    assert [run.rows_read for run in log.runs] == [40, 30]
    with pytest.raises(looptime.parsers.read.LogError, match="2 runs"):
        looptime.read(write(tmp_path, times))


@pytest.mark.parametrize("length", [0.8, 15.0])
def test_runs_of_one_length_are_no_wraps(tmp_path, length):
    """Runs of a fixed length, each from about zero, were appended: their clock did not wrap."""
    times, count = [], []
    for first in (3, 17, 9, 14):
        one = first + np.cumsum(RNG.integers(19, 22, 1000))
        one = one[one <= 1000 * length + 1.5 * first]
        times += one.tolist()
        count.append(len(one) - 1)
    log = logs(tmp_path, times)
    assert [len(run) for run in log.runs] == count
    assert log.runs[0].clock.wraps == ()
    assert len(log.runs[0].clock.restarts) == 3


def test_restart_nearer_to_zero(tmp_path):
    """A second run that starts sooner after zero than the first is no wrap of the first."""
    log = logs(tmp_path, [*range(500, 6500, 20), *range(1, 2001, 20)])
    assert [len(run) for run in log.runs] == [299, 99]
    assert log.runs[0].clock.restarts == (302,)


def test_newest_row_first(tmp_path):
    """Times that fall all along are neither loop lengths nor a clock that wraps."""
    with pytest.raises(looptime.parsers.read.LogError, match="oldest row first"):
        logs(tmp_path, range(5000, 4000, -20))


def test_forward_jump_cuts_the_run(tmp_path):
    """A clock set ahead by an hour at the usual pace: both halves are kept, none spans the jump."""
    times = [*range(0, 500, 10), *range(3_600_000, 3_600_400, 10)]
    log = logs(tmp_path, times)
    assert [len(run) for run in log.runs] == [49, 39]
    jump = log.runs[0].clock.jumps[0]
    assert (jump["line"], jump["size_ns"]) == (52, 3_600_000 * 10**6 - 490 * 10**6)
    assert "usual pace" in jump["note"]
    assert max(max(periods(run)) for run in log.runs) == 10


def test_calendar_clock_set_back(tmp_path):
    """A calendar clock that is set back a minute during the run was set, not restarted."""
    first = 1_767_225_600_000 + 10 * np.arange(50)
    log = logs(tmp_path, [*first, *(first + 500 - 60_000)])
    assert [len(run) for run in log.runs] == [49, 49]
    assert log.runs[0].clock.restarts == ()
    assert log.runs[0].clock.jumps[0]["line"] == 52


def test_stall_is_no_jump(tmp_path):
    """A loop of four seconds is a stall and stays a loop."""
    run = logs(tmp_path, [*range(0, 500, 10), *range(4_490, 4_990, 10)]).runs[0]
    assert max(periods(run)) == 4_000
    assert run.clock.jumps == ()


@pytest.mark.parametrize("wrong", [9, 130, 9_990_000])
def test_one_corrupt_stamp(tmp_path, wrong):
    """A stamp that lost or won digits is set aside, and the loop before it with it."""
    times = list(range(370_000, 371_000, 10))
    times[40] = wrong
    run = logs(tmp_path, times).runs[0]
    assert run.set_aside.counts == {
        "corrupt stamp": 1, "rows lost around it": 1, "unfinished last loop": 1,
    }  # fmt: skip
    assert 2 + 40 in run.set_aside.line
    assert run.clock.jumps[0]["size_ns"] == (wrong - times[39]) * 10**6
    assert set(periods(run)) == {10.0}
    assert run.clock.restarts == ()


def test_small_backward_step(tmp_path):
    """A stamp a little too low is neither a wrap nor a restart."""
    times = [1000 * k for k in range(60)]
    times[30] -= 1300
    run = logs(tmp_path, times, header="time_us,x").runs[0]
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert run.clock.jumps[0]["line"] == 2 + 30
    assert run.clock.wraps == ()
    assert run.clock.restarts == ()


def test_rows_out_of_order_are_sorted(tmp_path):
    """Two rows that stand the wrong way round are put in order, and that is told."""
    times = list(range(0, 600, 10))
    times[30], times[31] = times[31], times[30]
    run = logs(tmp_path, times).runs[0]
    assert periods(run) == [10.0] * 59
    assert any("out of order" in note for note in run.clock.notes)


def test_duplicate_row(tmp_path):
    """The same row twice is one loop."""
    times = [*range(0, 300, 10), 290, *range(300, 600, 10)]
    values = [t // 10 for t in times]
    run = logs(tmp_path, times, values=values).runs[0]
    assert run.set_aside.counts == {"duplicate row": 1, "unfinished last loop": 1}
    assert periods(run) == [10.0] * 59


def test_run_pasted_again(tmp_path):
    """A run pasted three times is kept once."""
    times = (500 + np.cumsum(RNG.integers(8, 13, 80))).tolist()
    log = logs(tmp_path, times * 3, values=list(range(80)) * 3)
    assert len(log.runs) == 1
    run = log.runs[0]
    assert len(run) == 79
    assert run.set_aside.counts == {"pasted again": 160, "unfinished last loop": 1}
    assert run.clock.restarts == ()
    assert any("again from line 82" in note for note in run.clock.notes)


def test_short_run_pasted_again(tmp_path):
    """A run of thirty even rows pasted three times is kept once, and is no disorder."""
    times = list(range(0, 600, 20))
    log = logs(tmp_path, times * 3, values=[t * 7 % 50 for t in times] * 3)
    assert [periods(run) for run in log.runs] == [[20.0] * 29]
    assert log.runs[0].set_aside.counts == {"pasted again": 60, "unfinished last loop": 1}


def test_short_runs_half_a_step_apart(tmp_path):
    """Short runs whose stamps lie between those of the first are runs, not rows out of order."""
    log = logs(tmp_path, [*range(100, 700, 20), *range(10, 610, 20), *range(13, 613, 20)])
    assert [periods(run) for run in log.runs] == [[20.0] * 29] * 3
    assert log.runs[0].clock.restarts == (2 + 30, 2 + 60)


def test_block_of_rows_written_late(tmp_path):
    """A block of rows that comes after the next block is put where it belongs."""
    times = [*range(0, 400, 20), *range(800, 1200, 20), *range(400, 800, 20),
             *range(1200, 1600, 20)]  # fmt: skip
    run = logs(tmp_path, times).runs[0]
    assert periods(run) == [20.0] * 79
    assert any("out of order" in note for note in run.clock.notes)


def test_part_of_a_run_pasted_before_the_whole(tmp_path):
    """Where a log was saved half way and again at its end, the longer copy is kept."""
    times = (500 + np.cumsum(RNG.integers(8, 13, 80))).tolist()
    log = logs(tmp_path, times[:30] + times, values=[*range(30), *range(80)])
    assert [len(run) for run in log.runs] == [79]
    assert log.runs[0].set_aside.counts["pasted again"] == 30


def test_clock_time_crosses_midnight(tmp_path):
    """Times of day go on after midnight."""
    rows = ["23:59:59.970", "23:59:59.980", "23:59:59.990", "00:00:00.000", "00:00:00.010"]
    run = logs(tmp_path, rows, header="time,x").runs[0]
    assert periods(run) == [10.0] * 4
    assert run.clock.unit == "clock time"
    assert run.clock.wraps[0]["note"] == "wraps at midnight"


def call_log(tmp_path, calls, name="calls.csv"):
    """Rows of (thread, seq, name, start_us, duration_us) as a log."""
    path = tmp_path / name
    text = "".join(",".join(map(str, call)) + "\n" for call in calls)
    path.write_text("thread,seq,name,start_us,duration_us\n" + text, encoding="utf-8")
    return read_log(path)


def two_threads(start=0, loops=40, modulus=None):
    """Rows of a loop of 10 ms with two calls, and of a reader every 5 ms, in end order."""
    rows = []
    for k in range(loops):
        at = start + 10_000 * k
        rows.append(("main", 2 * k, "gyro.read", at + 100, 3000))
        rows.append(("main", 2 * k + 1, "drive.write", at + 4000, 500))
        rows += [("reader", 2 * k + j, "lift.read", at + 5000 * j, 900) for j in (0, 1)]
    if modulus:
        rows = [(t, q, n, s % modulus, d) for t, q, n, s, d in rows]
    return rows


def check_calls(run, loops=40):
    """The periods and costs of `two_threads`."""
    assert set(periods(run)) == {10.0}
    assert len(run) == loops - 1
    by_name = run.calls.groupby("name", observed=True)["self_ns"].sum() / 1e3
    assert by_name["gyro.read"] == 3000 * (loops - 1)


def test_interleaved_threads_are_no_clock_trouble(tmp_path):
    """Rows of threads among each other and out of order between them leave the clock alone."""
    rows = two_threads()
    mixed = [
        row for k in range(0, len(rows), 16) for row in sorted(rows[k : k + 16], key=itemgetter(0))
    ]
    log = call_log(tmp_path, mixed)
    check_calls(log.runs[0])
    assert log.runs[0].clock.restarts == log.runs[0].clock.jumps == log.runs[0].clock.wraps == ()


def test_calls_across_a_wrap(tmp_path):
    """Timed calls of two threads go on where a 32-bit counter wraps; it is told once."""
    run = call_log(tmp_path, two_threads(2**32 - 200_000, modulus=2**32)).runs[0]
    check_calls(run)
    assert len(run.clock.wraps) == 1


def test_calls_after_a_restart(tmp_path):
    """Timed calls whose clock begins anew make a second run, cut at one row for all threads."""
    log = call_log(tmp_path, two_threads(5000) + two_threads(4000, loops=30))
    assert [len(run) for run in log.runs] == [39, 29]
    check_calls(log.runs[0])
    check_calls(log.runs[1], 30)
    assert log.runs[0].clock.restarts == (2 + 160,)
    assert sum(run.rows_read for run in log.runs) == 280


def test_calls_pasted_again(tmp_path):
    """A log of calls pasted twice is one run."""
    log = call_log(tmp_path, two_threads() * 2)
    assert len(log.runs) == 1
    check_calls(log.runs[0])
    assert log.runs[0].set_aside.counts["pasted again"] == 160


def test_duplicate_call_row(tmp_path):
    """A row that a link sent twice is one call."""
    rows = two_threads()
    log = call_log(tmp_path, [*rows[:41], rows[40], *rows[41:]])
    check_calls(log.runs[0])
    assert log.runs[0].set_aside.counts["duplicate row"] == 1


def test_corrupt_start_of_one_call(tmp_path):
    """One call whose start lost its leading digits is set aside."""
    rows = two_threads(7_000_000)
    rows[60] = (*rows[60][:3], 12, 3000)
    log = call_log(tmp_path, rows)
    assert len(log.runs) == 1
    assert log.runs[0].set_aside.counts["corrupt stamp"] == 1
    assert log.runs[0].clock.restarts == ()


def test_sequence_orders_calls_of_one_instant(tmp_path):
    """On a coarse clock the sequence number, not the place in the file, orders a thread's rows."""
    rows = []
    for k in range(30):
        at = 16_000 * (k + k // 3 + k // 6)
        rows += [("main", 3 * k + 2, "c", at, 0), ("main", 3 * k, "a", at, 0)]
        rows += [("main", 3 * k + 1, "b", at, 0)]
    run = call_log(tmp_path, rows).runs[0]
    codes = run.call_columns.name[:6]
    assert [run.names[code].name for code in codes] == ["a", "b", "c"] * 2
    assert any("out of order" in note for note in run.clock.notes)


def test_rows_sorted_by_name_are_one_run(tmp_path):
    """A log whose rows are grouped by name steps back between the groups, but is one run."""
    rows = sorted(two_threads(), key=lambda row: (row[2], row[3]))
    rows = [("main", k, *row[2:]) for k, row in enumerate(rows) if row[0] == "main"]
    log = call_log(tmp_path, [("main", -1, *row[2:]) for row in rows])
    assert len(log.runs) == 1
    check_calls(log.runs[0])


@pytest.mark.parametrize("order", ["by name", "by duration", "at random", "newest first"])
def test_calls_in_no_order_of_time(tmp_path, order):
    """Uneven loops whose rows were sorted by something else are one run, and that is told."""
    period = RNG.integers(18_000, 22_000, 120)
    start = 5_000 + np.cumsum(period) - period
    rows = []
    for at, length in zip(start.tolist(), period.tolist(), strict=True):
        rows += [("main", -1, "gyro.read", at + 20, 900 + length % 97),
                 ("main", -1, "drive.update", at + 1590, 2700 + length % 89),
                 ("main", -1, "loop", at, length)]  # fmt: skip
    rows.sort(key=itemgetter(2 if order == "by name" else 4))
    if order == "newest first":
        rows.sort(key=lambda row: -row[3] - row[4])
    if order == "at random":
        rows = [rows[k] for k in RNG.permutation(len(rows))]
    (run,) = call_log(tmp_path, rows).runs
    assert run.loop_columns.period_ns.tolist() == (1000 * period).tolist()
    assert run.rows_used == run.rows_read == 360
    assert run.clock.wraps == run.clock.jumps == run.clock.restarts == ()
    assert "out of order: sorted by time" in run.clock.notes[0]


@pytest.mark.parametrize("base", [2**32 - 205_000, 2**32 - 202_500, 2**32 - 200_500])
def test_edges_across_a_wrap(tmp_path, base):
    """Begins and ends are paired across a wrap, wherever in the loop it falls."""
    rows = []
    for k in range(40):
        for name, at, took in (("gyro.read", 1000, 3000), ("drive.write", 5000, 800)):
            begin = base + 10_000 * k + at
            rows += [(begin, name, "begin"), (begin + took, name, "end")]
    text = "".join(f"{t % 2**32},{name},{edge}\n" for t, name, edge in rows)
    path = tmp_path / "edges.csv"
    path.write_text("time_us,name,edge\n" + text, encoding="utf-8")
    run = looptime.read(path)
    check_calls(run)
    assert len(run.clock.wraps) == 1


@pytest.mark.parametrize("base", [2**32 - 205_000, 2**32 - 202_500, 2**32 - 200_500])
def test_stages_across_a_wrap(tmp_path, base):
    """The instants of one row may lie on both sides of a wrap."""
    true = base + 10_000 * np.arange(40)[:, None] + np.array([0, 3000, 8000])
    text = "".join(",".join(map(str, row)) + "\n" for row in (true % 2**32).tolist())
    path = tmp_path / "stages.csv"
    path.write_text("start_us,gyro_us,end_us\n" + text, encoding="utf-8")
    run = looptime.read(path)
    assert set(periods(run)) == {10.0}
    assert len(run) == 39
    assert len(run.clock.wraps) == 1
    assert run.unattributed_ns().min() >= 0


@pytest.mark.parametrize("width", [7, 12])
def test_saw_tooth_is_no_clock(tmp_path, width):
    """A column that steps back thousands of times is refused at once, as no run's clock."""
    path = tmp_path / "log.csv"
    rows = [f"{k % width * 1000},{k}\n" for k in range(40_000)]
    path.write_text("time_us,x\n" + "".join(rows), encoding="utf-8")
    with pytest.raises(looptime.parsers.read.LogError, match="no clock does"):
        read_log(path)


def test_calls_that_begin_anew_without_end(tmp_path):
    """The same holds for timed calls, on one thread or on two."""
    for threads in (1, 2):
        rows = [
            f"{k % threads},f{k // threads % 3},{k // threads % 18 * 100_000},{5 + k % 9001}\n"
            for k in range(40_000)
        ]
        path = tmp_path / "log.csv"
        path.write_text("thread,name,start_us,duration_us\n" + "".join(rows), encoding="utf-8")
        with pytest.raises(looptime.parsers.read.LogError, match="no clock does"):
            read_log(path)


def test_a_run_as_long_as_a_counter_is_no_wrap(tmp_path):
    """Two runs of 178.96 s, each from zero: a 24 MHz counter wraps there, and nothing says so."""
    one = [f"{20 * k}\n" for k in range(8948)]
    two = [f"{20 * k + k % 3}\n" for k in range(4000)]
    path = tmp_path / "log.csv"
    path.write_text("time_ms\n" + "".join(one + two), encoding="utf-8")
    assert [len(run) for run in looptime.read_log(path).runs] == [8947, 3999]


def test_a_counter_that_began_far_from_zero_wraps(tmp_path):
    """The same step in a log that began late in the counter's turn is a wrap."""
    wrap_us = 2**32 // 24
    stamps = [(100_000_000 + 20_000 * k) % wrap_us for k in range(8000)]
    path = tmp_path / "log.csv"
    path.write_text("time_us\n" + "".join(f"{t}\n" for t in stamps), encoding="utf-8")
    (run,) = looptime.read_log(path).runs
    assert len(run) == 7999
    assert "24 MHz" in run.clock.wraps[0]["note"]
