"""The skew of a second clock that jitters by far more than it drifts, with an honest interval."""

import numpy as np
import pytest

import looptime
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.second_clock import _SIDE, _set, choose_clock, finer_of
from tests.parsers.columns.build import periods, write

HEADS = tuple(heads(("board_us", "host_us")))
STEP = 20_000_000


def _noise(kind, jitter_ns, n, rng):
    if kind == "late":  # a queue only ever delays
        return rng.exponential(jitter_ns, n)
    white = rng.normal(0, jitter_ns, n)
    if kind == "even":
        return white
    found = np.empty(n)
    found[0] = white[0]
    for k in range(1, n):  # what delays one stamp delays the next ones
        found[k] = 0.9 * found[k - 1] + np.sqrt(1 - 0.81) * white[k]
    return found


@pytest.mark.parametrize("kind", ["even", "late", "alike"])
@pytest.mark.parametrize("jitter_ms", [1, 6, 15, 40])
def test_intervals_hold_the_skew_whatever_the_jitter(kind, jitter_ms):
    """Of 100 clocks 30 ppm fast at least 85 in 100 intervals hold the 30; none is far off."""
    held = []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        board = STEP * np.arange(1200)
        host = np.rint(board * (1 + 30e-6) + _noise(kind, jitter_ms * 1e6, 1200, rng))
        skew = choose_clock(board, host.astype(np.int64), HEADS).other["skew_ppm"]
        held.append(skew["low"] <= 30 <= skew["high"])
        assert abs(skew["value"] - 30) < 3 * (skew["high"] - skew["low"])
    assert sum(held) >= 85


def test_the_interval_is_as_wide_as_theory_says():
    """White jitter s over n even stamps of a time T: standard error s sqrt(12 / n) / T."""
    n, jitter = 4000, 10e6
    board = STEP * np.arange(n)
    noise = np.random.default_rng(3).normal(0, jitter, n)
    skew = choose_clock(board, np.rint(board + noise).astype(np.int64), HEADS).other["skew_ppm"]
    want = 1e6 * jitter * np.sqrt(12 / n) / (STEP * n)
    assert skew["high"] - skew["low"] == pytest.approx(2 * 1.96 * want, rel=0.1)


@pytest.mark.parametrize("by_ms", [2000, -2000, 300])
def test_a_clock_that_is_set_once_keeps_its_skew(by_ms):
    """A host set by seconds in the middle is no skew: the rate on both sides is told."""
    rng = np.random.default_rng(4)
    board = STEP * np.arange(3000)
    host = board * (1 + 40e-6) + rng.normal(0, 2e6, 3000)
    host[1800:] += by_ms * 1e6
    skew = choose_clock(board, np.rint(host).astype(np.int64), HEADS).other["skew_ppm"]
    assert skew["low"] < 40 < skew["high"]
    assert skew["high"] - skew["low"] < 20


def test_stamps_in_bunches_are_no_settings_of_the_clock():
    """A host that stamps 40 rows at once steps by 0.8 s each time and keeps time for all that."""
    board = STEP * np.arange(4000)
    host = board[39::40].repeat(40)
    skew = choose_clock(board, host, HEADS).other["skew_ppm"]
    assert skew["low"] < 0 < skew["high"]


def test_a_clock_that_begins_again_does_not_bend_the_skew():
    """A board that restarts after half of the rows, its host going on."""
    board = np.concatenate([STEP * np.arange(1500), STEP * np.arange(1500)])
    host = STEP * np.arange(3000) * (1 + 25e-6)
    host += np.random.default_rng(5).normal(0, 8e6, 3000)
    skew = choose_clock(board, np.rint(host).astype(np.int64), HEADS).other["skew_ppm"]
    assert skew["low"] < 25 < skew["high"]


@pytest.mark.parametrize("jitter_ms", [6, 15, 30])
@pytest.mark.parametrize("first", ["host", "board"])
def test_a_restless_host_is_found_beside_the_board(tmp_path, jitter_ms, first):
    """Stamps that go back every other row still tell a clock; the board's periods are used."""
    rng = np.random.default_rng(6)
    board = 20_000 * np.arange(2000)
    host = np.rint(board * (1 + 50e-6) + rng.normal(0, 1000 * jitter_ms, 2000)) + 10**7
    both = {"host": host, "board": board}
    order = [first, *({"host", "board"} - {first})]
    rows = [",".join(f"{both[name][k]:.0f}" for name in order) + ",1.5" for k in range(2000)]
    path = tmp_path / "log.csv"
    head = ",".join(f"{name}_time_us" for name in order) + ",gyro_ms"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    run = looptime.read(path)
    assert set(run.loop_columns.period_ns.tolist()) == {STEP}
    skew = run.clock.other["skew_ppm"]
    assert skew["low"] < 50 < skew["high"]
    assert run.clock.other["column"] == "host_time_us"


def two_clocks(tmp_path, header, host_first=True):
    """A device clock with 0.1 ms of jitter, and a host clock that bunches rows and runs ahead."""
    rng = np.random.default_rng(21)
    device = 5_000 + np.cumsum(20_000 + rng.normal(0, 100, 400)).round()
    host = 7_000 + device * (1 + 50e-6) + rng.normal(0, 4_000, 400)
    host = np.maximum.accumulate(host).round()
    pairs = zip(host, device, strict=True) if host_first else zip(device, host, strict=True)
    rows = [(f"{a / 1000:.3f}", f"{b:.0f}", 1) for a, b in pairs]
    if not host_first:
        rows = [(f"{float(a) * 1000:.0f}", f"{float(b) / 1000:.3f}", c) for a, b, c in rows]
    run = looptime.read(write(tmp_path, header, rows))
    assert np.allclose(np.diff(device) / 1000, periods(run), atol=1e-6)
    return run


@pytest.mark.parametrize("host_first", [True, False])
def test_the_steadier_clock_is_used(tmp_path, host_first):
    """Of a host's and a device's clock the steadier tells the pace; the other is reported."""
    header = "host_time_ms,device_time_us,temperature"
    if not host_first:
        header = "device_time_us,host_time_ms,temperature"
    run = two_clocks(tmp_path, header, host_first)
    other = run.clock.other
    assert other["column"] == "host_time_ms"
    assert other["used_column"] == "device_time_us"
    # steps of the sum of two errors of 4 ms each: sqrt(2) x 4 ms; less, as none goes backwards
    assert 3_000_000 < other["jitter_ns"] < 6_000_000
    assert 80_000 < other["used_jitter_ns"] < 120_000
    assert run.clock.unit == "us"
    assert run.signals is not None
    assert list(run.signals.values) == ["temperature"]


def test_skew_between_two_clocks(tmp_path):
    """A host clock that runs 40 ppm fast is told to do so."""
    device = np.arange(500) * 20_000_000
    host = device * (1 + 40e-6)
    rows = [(f"{h / 1e6:.4f}", f"{d // 1000}", 1) for h, d in zip(host, device, strict=True)]
    run = looptime.read(write(tmp_path, "host_time_ms,device_time_us,x", rows))
    assert run.clock.other["column"] == "host_time_ms"
    assert run.clock.other["skew_ppm"]["value"] == pytest.approx(40, abs=0.1)


def test_skew_behind_a_restless_clock(tmp_path):
    """Two minutes of stamps that scatter by 4 ms carry a skew of 50 ppm to a few ppm."""
    device = 20_000 * np.arange(6000)
    late = np.random.default_rng(21).normal(0, 4_000, 6000)
    host = np.round(device * (1 + 50e-6) + late) + 10**6
    rows = [(f"{h:.0f}", d, 1) for h, d in zip(np.maximum.accumulate(host), device, strict=True)]
    run = looptime.read(write(tmp_path, "host_time_us,device_time_us,x", rows))
    # standard error of a least-squares slope: 4 ms sqrt(12 / 6000) / 120 s = 1.5 ppm
    skew = run.clock.other["skew_ppm"]
    assert skew["value"] == pytest.approx(50, abs=6)
    assert skew["high"] - skew["low"] == pytest.approx(2 * 1.96 * 1.5, rel=0.1)
    assert skew["low"] < 50 < skew["high"]


def test_interval_of_a_skew_holds_it():
    """Of 400 recordings of a clock 30 ppm fast about 95 in 100 intervals hold the 30."""
    heads_ = tuple(heads(("board_us", "host_us")))
    board = 20_000_000 * np.arange(300)
    held = 0
    for seed in range(400):
        noise = np.random.default_rng(seed).normal(0, 500_000, 300)
        host = np.rint(board * (1 + 30e-6) + noise).astype(np.int64)
        found = choose_clock(board, host, heads_)
        skew = found.other["skew_ppm"]
        held += skew["low"] <= 30 <= skew["high"]
    assert 365 <= held <= 395


def two_times(t, rng):
    """The same instants [s] by a restless host 50 ppm fast, and by the board [us]."""
    return f"{t * 1.00005 + 3 + 0.0015 * abs(rng.standard_normal()):.6f},{t * 1e6:.0f}"


@pytest.mark.parametrize("layout", ["calls", "edges", "costs", "stages"])
def test_the_steadier_clock_in_every_layout(tmp_path, layout):
    """Periods are those of the board whose clock is steady, wherever a row has two clocks."""
    rng = np.random.default_rng(8)
    times = np.cumsum(0.02 + 0.001 * rng.standard_normal(400))
    head = {"calls": "name,duration_us", "edges": "name,edge", "costs": "gyro_ms,drive_ms",
            "stages": "after_gyro_us,after_drive_us"}[layout]  # fmt: skip
    rows = []
    for t in times:
        both = two_times(t, rng)
        if layout == "costs":
            rows.append(f"{both},1.5,6.25")
        elif layout == "stages":
            rows.append(f"{both},{(t + 0.0015) * 1e6:.0f},{(t + 0.0078) * 1e6:.0f}")
        elif layout == "calls":
            rows += [f"{both},gyro.read,1500", f"{two_times(t + 0.005, rng)},drive.write,6250"]
        else:
            for late, name in ((0.0, "gyro.read"), (0.005, "drive.write")):
                rows.append(f"{two_times(t + late, rng)},{name},begin")
                rows.append(f"{two_times(t + late + 0.003, rng)},{name},end")
    own = "start_us" if layout == "stages" else "board_time_us"
    path = tmp_path / "log.csv"
    path.write_text(f"timestamp_s,{own},{head}\n" + "\n".join(rows) + "\n", encoding="utf-8")
    run = looptime.read(path)
    assert run.layout == layout
    want = np.diff(np.rint(times * 1e6)) * 1000
    assert np.abs(run.loop_columns.period_ns[:399] - want).max() <= 1000
    assert (run.clock.other["column"], run.clock.other["used_column"]) == ("timestamp_s", own)
    skew = run.clock.other["skew_ppm"]
    assert skew["low"] - 10 < 50 < skew["high"] + 10


def test_an_end_stamp_is_no_second_clock(tmp_path):
    """A column that tells when a call was over must not pass for its start on another clock."""
    rng = np.random.default_rng(9)
    rows = []
    for k in range(200):
        for late, name in ((0, "gyro.read"), (8, "drive.write")):
            start, took = 20 * k + late, 2 + 3 * rng.random()
            rows.append(f"{start},{(start + took) * 1000:.1f},{name},{took * 1000:.1f}")
    path = tmp_path / "log.csv"
    path.write_text("start_ms,logged_time_us,name,duration_us\n" + "\n".join(rows) + "\n",
                    encoding="utf-8")  # fmt: skip
    run = looptime.read(path)
    assert run.clock.other is None
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}


def set_at(x, y):
    """Where a clock was set, from the same rule by least squares at every row."""
    best = (np.inf, 0, None)
    for cut in range(_SIDE, len(x) - _SIDE):
        later = np.arange(len(x)) >= cut
        columns = np.column_stack([x - x.mean(), ~later, later]).astype(float)
        found, *_ = np.linalg.lstsq(columns, y - y.mean(), rcond=None)
        left = float(((y - y.mean() - columns @ found) ** 2).sum())
        best = min(best, (left, cut, found), key=lambda one: one[0])
    left, cut, (slope, before, after) = best
    step = y[cut] - y[cut - 1] - slope * (x[cut] - x[cut - 1])
    sudden = step / (after - before) > 0.5
    return cut if sudden and abs(after - before) > 6 * np.sqrt(left / len(x)) else 0


@pytest.mark.parametrize("height", [0.0, 4.0, 7.0, 30.0, -9.0])
@pytest.mark.parametrize("seed", range(4))
def test_the_row_at_which_a_clock_was_set_is_that_of_least_squares(height, seed):
    """Against every row tried by itself, with a skew and steps of noise of one."""
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(10, 30, 160))
    where = int(rng.integers(40, 120))
    y = 1.3 * x + rng.normal(0, 1, 160) + height * (np.arange(160) >= where)
    assert _set(x, y) == set_at(x, y)
    assert (_set(x, y) == where) or abs(height) < 10


def test_times_since_1970_lose_nothing_of_a_skew():
    """A second clock that is 50 ppm fast, over a tenth of a second of rows 1 ms apart."""
    step = 1_000_000 * np.arange(100)
    first, second = (1_767_225_600_000_000_000 + s for s in (step, step + step // 20_000))
    other = choose_clock(first, second, tuple(heads(("host_ns", "device_ns")))).other
    assert other["skew_ppm"]["value"] == pytest.approx(50, abs=0.002)


@pytest.mark.parametrize(
    ("header", "host_ns", "board_ns", "bits"),
    [("rx_epoch_s,mcu_ms,pitch", 10**9, 10**6, 16), ("llegada_s,placa_us,vel", 10**9, 1000, 24),
     ("arrival_epoch_ms,controller_us,yaw", 10**6, 1000, 32)],
)  # fmt: skip
def test_stamps_in_bunches_beside_a_counter_that_wraps(tmp_path, header, host_ns, board_ns, bits):
    """Loops are those of the board's counter; the host stamps what came in the last 30 ms."""
    rng = np.random.default_rng(bits)
    start = np.cumsum(rng.integers(14, 22, 5000)) * 10**6
    host = (start // 30_000_000 + 1) * 30_000_000 + rng.integers(0, 10**6, 5000)
    host = 1_775_318_462 * 10**9 + np.maximum.accumulate(host)
    board = (start // board_ns + 2**bits - 9) % 2**bits
    path = tmp_path / "log.csv"
    rows = zip(host / host_ns, board, rng.normal(0, 1, 5000), strict=True)
    path.write_text(header + "\n" + "".join(f"{h:.3f},{b},{x:.2f}\n" for h, b, x in rows))
    run = looptime.read(path)
    assert run.clock.other["used_column"] == header.split(",")[1]
    assert run.loop_columns.period_ns.tolist() == np.diff(start).tolist()


def test_instants_at_which_loops_are_due_are_no_clock(tmp_path):
    """What is due rises evenly, whatever its column is called: the loops are those that were."""
    start = 700 + 20.0 * np.arange(400) + np.random.default_rng(5).random(400)
    path = tmp_path / "log.csv"
    path.write_text("time_ms,turno_ms,x\n" + "".join(f"{t:.3f},{20 * k},{k % 3}\n"
                                                     for k, t in enumerate(start)))  # fmt: skip
    run = looptime.read(path)
    assert run.loop_columns.period_ns / 1e6 == pytest.approx(np.diff(start), abs=2e-3)


def test_the_clock_that_tells_the_rows_of_a_loop_apart_is_used(tmp_path):
    """A host that stamps to 10 ms shows even loops of 20 ms, and calls of 3 and 5 ms as none."""
    rows = []
    for k in range(100):
        for name, begin, end in (("gyro", 0, 3000), ("wheels", 3100, 8100)):
            for at, what in ((begin, "begin"), (end, "end")):
                us = 20_000 * k + at
                rows.append((f"{1_000 + us // 10_000 / 100:.2f}", us, name, what))
    run = looptime.read(write(tmp_path, "pc_s,unit_us,block,event", rows))
    took = run.calls.groupby("name", observed=True)["duration_ns"].median() / 1e6
    assert took.to_dict() == pytest.approx({"gyro": 3.0, "wheels": 5.0})
    assert run.clock.other is not None
    assert run.clock.other["column"] == "pc_s"


@pytest.mark.parametrize("swapped", [False, True])
def test_the_clock_that_resolves_more_is_used_where_the_other_rounds_it(tmp_path, swapped):
    """Milliseconds show an even loop of 20 ms as a timetable, nanoseconds by how much it varies."""
    rng = np.random.default_rng(6)
    mono = 771_200_300_000 + 20_000_000 * np.arange(400) + rng.integers(0, 150_000, 400)
    wall = (mono + 5_700_000) // 10**6
    pairs = [(f"{w}", f"{m}") for w, m in zip(wall.tolist(), mono.tolist(), strict=True)]
    heads_ = ("wall_ms", "mono_ns")
    order = (1, 0) if swapped else (0, 1)
    rows = [",".join([pair[order[0]], pair[order[1]], "1400000", f"{5_500_000 + k % 7}"])
            for k, pair in enumerate(pairs)]  # fmt: skip
    head = f"{heads_[order[0]]},{heads_[order[1]]},gyro_ns,drive_ns"
    path = tmp_path / "log.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    run = looptime.read(path)
    assert run.loop_columns.period_ns.tolist() == np.diff(mono).tolist()


def test_a_fine_clock_that_jitters_by_more_than_the_coarse_one_rounds_is_not_used():
    """Arrivals to the microsecond, late by up to 4 ms, of what a board stamped to the ms."""
    board = 20_000_000 * np.arange(300)
    late = board + np.random.default_rng(2).integers(0, 4000, 300) * 1000
    assert finer_of(board, late, (10**6, 1000)) is None
