"""Steps in a clock: told apart, repaired or cut, and told with their lines."""

import numpy as np
import pytest

import looptime
from looptime.parsers.clock.steps import Way, find_steps
from tests.parsers.stamped import call_log, check_calls, logs, periods, two_threads


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
    true = 13_000 + 10 * np.arange(10_000) + np.random.default_rng(20).integers(-2, 3, 10_000)
    run = logs(tmp_path, true % 41_303).runs[0]
    assert len(run) == 9_999
    assert len(run.clock.wraps) == 2
    assert "learned" in run.clock.wraps[0]["note"]
    assert np.median(periods(run)) == 10
    assert max(periods(run)) <= 17


@pytest.mark.parametrize("length", [0.8, 15.0])
def test_runs_of_one_length_are_no_wraps(tmp_path, length):
    """Runs of a fixed length, each from about zero, were appended: their clock did not wrap."""
    times, count, rng = [], [], np.random.default_rng(20)
    for first in (3, 17, 9, 14):
        one = first + np.cumsum(rng.integers(19, 22, 1000))
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


def test_small_backward_step(tmp_path):
    """A stamp a little too low is neither a wrap nor a restart."""
    times = [1000 * k for k in range(60)]
    times[30] -= 1300
    run = logs(tmp_path, times, header="time_us,x").runs[0]
    assert run.set_aside.counts["corrupt stamp"] == 1
    assert run.clock.jumps[0]["line"] == 2 + 30
    assert run.clock.wraps == ()
    assert run.clock.restarts == ()


def test_clock_time_crosses_midnight(tmp_path):
    """Times of day go on after midnight."""
    rows = ["23:59:59.970", "23:59:59.980", "23:59:59.990", "00:00:00.000", "00:00:00.010"]
    run = logs(tmp_path, rows, header="time,x").runs[0]
    assert periods(run) == [10.0] * 4
    assert run.clock.unit == "clock time"
    assert run.clock.wraps[0]["note"] == "wraps at midnight"


def test_calls_across_a_wrap(tmp_path):
    """Timed calls of two threads go on where a 32-bit counter wraps; it is told once."""
    run = call_log(tmp_path, two_threads(2**32 - 200_000, modulus=2**32)).runs[0]
    check_calls(run)
    assert len(run.clock.wraps) == 1


def test_fractions_of_a_second(tmp_path):
    """Microseconds within their second, of two threads: 4 s of 10 ms loops are one run."""
    rows = two_threads(5_350_100, loops=400, modulus=10**6)
    draw = np.random.default_rng(4)  # rows whose seconds begin at other phases of the loop
    late = np.cumsum(draw.integers(0, 30, len(rows))).tolist()
    rows = [(t, q, n, (s + ns) % 10**6, d) for (t, q, n, s, d), ns in zip(rows, late, strict=True)]
    log = call_log(tmp_path, rows)
    assert len(log.runs) == 1
    assert [wrap["note"] for wrap in log.runs[0].clock.wraps] == [
        "wraps at 1 s (fractions of a second alone)"
    ] * 4
    assert len(log.runs[0]) == 399
    assert max(periods(log.runs[0])) < 10.2


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


def test_stalls_across_the_wraps_of_a_fast_counter(tmp_path):
    """A 16-bit counter of us wraps every 65.5 ms; stalls of 40 ms begin anywhere before a wrap."""
    wanted = [10.0 + k % 3 + (30.0 if k % 37 == 5 else 0.0) for k in range(600)]
    times = np.cumsum([0.0, *wanted])
    rows = "".join(
        f"gyro,{int(1000 * t) % 65_536},{int(1000 * t + 3000) % 65_536}\n"
        f"drive,{int(1000 * t + 4000) % 65_536},{int(1000 * t + 9000) % 65_536}\n"
        for t in times
    )
    path = tmp_path / "log.csv"
    path.write_text("name,start_us,end_us\n" + rows)
    assert periods(looptime.read(path)) == wanted


@pytest.mark.parametrize("count", [120, 400])
def test_the_last_digits_alone_of_a_clock_that_wraps_every_few_loops(count):
    """Twelve loops a wrap, met at all phases of the loop: one run, all wraps undone."""
    rng = np.random.default_rng(count)
    time = np.cumsum(rng.integers(7900, 8100, count)) * 1000
    found = find_steps(time % 10**8, Way("us", 1000))
    assert {step.kind for step in found.steps} == {"wrap"}
    assert len(found.steps) == int(time[-1] // 10**8 - time[0] // 10**8)


def test_short_runs_that_begin_at_any_phase_are_no_wraps():
    """Runs of twelve loops whose clock starts anywhere within a loop stay runs."""
    rng = np.random.default_rng(1)
    runs = [rng.integers(0, 8000) + np.cumsum(rng.integers(7900, 8100, 12)) for _ in range(12)]
    found = find_steps(np.concatenate(runs) * 1000, Way("us", 1000))
    assert {step.kind for step in found.steps} == {"restart"}


@pytest.mark.parametrize("power", [16, 20])
def test_wraps_make_no_loop_shorter_than_its_parts(tmp_path, power):
    """A step back is a wrap and no wrong stamp: nothing is said of the loop that it falls into."""
    rng = np.random.default_rng(2)
    time = np.cumsum(rng.integers(7900, 8100, 400)) % 2**power
    rows = "".join(f"{t},{rng.integers(900, 1800)},{rng.integers(900, 1800)}\n" for t in time)
    path = tmp_path / "log.csv"
    path.write_text("time_us,gyro_us,drive_us\n" + rows, encoding="utf-8")
    run = looptime.read(path, cache=False)
    assert len(run) == 399
    assert run.clock.wraps
    assert not any("shorter than the parts" in note for note in run.clock.notes)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("share", [0.5, 1.0])
def test_rows_in_no_order_are_no_wraps(seed, share):
    """Of 1,500 loops in 11 s as many stand anyhow: none ends near what a counter would wrap at."""
    rng = np.random.default_rng(seed)
    time = 1_000_000 + np.cumsum(rng.integers(6900, 8100, 1500))
    some = np.flatnonzero(rng.random(1500) < share)
    time[some] = time[rng.permutation(some)]
    found = find_steps(time * 1000, Way("us", 1000))
    assert not [step for step in found.steps if step.kind == "wrap"]


def test_two_logs_loop_by_loop_are_no_wraps():
    """Loops of a log that began 5.5 s later stand between: all steps back are alike."""
    time = 1_000_000 + np.cumsum(np.random.default_rng(1).integers(6900, 8100, 1500))
    both = np.stack([time, time + 5_550_000], axis=1).ravel()
    found = find_steps(both * 1000, Way("us", 1000, number=np.repeat(np.arange(1500), 2)))
    assert not [step for step in found.steps if step.kind == "wrap"]


@pytest.mark.parametrize("period_us", [8192, 16384, 21_000, 49_152, 60_000])
def test_a_counter_that_wraps_time_and_again(period_us):
    """16 bits of microseconds, also where even loops meet the same four values over and over."""
    time = 300 + np.arange(3000) * period_us
    found = find_steps(time % 2**16 * 1000, Way("us", 1000, number=np.arange(3000)))
    wraps = int((np.diff(time % 2**16) < 0).sum())
    assert len([step for step in found.steps if step.kind == "wrap"]) == wraps
