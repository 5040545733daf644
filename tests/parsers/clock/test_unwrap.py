"""A counter that wraps changes no loop, in whatever layout and order its instants stand."""

import numpy as np
import pytest

import looptime
from looptime.parsers.clock.steps import Way
from looptime.parsers.clock.unwrap import once_a_loop, wraps_of
from tests.parsers.build import read
from tests.properties.semantic import make, moved

NUMBERED = (
    "calls numbered", "calls loop row last", "edges numbered", "stages numbered",
    "costs numbered", "stamps numbered",
)  # fmt: skip


def periods(tmp_path, made):
    """Periods of the one run of a log [ns], and its clock."""
    path = tmp_path / "log.csv"
    path.write_text(made.text(), encoding="utf-8")
    (run,) = looptime.read_log(path).runs
    return run.loop_columns.period_ns, run.clock


@pytest.mark.parametrize("shape", NUMBERED)
@pytest.mark.parametrize("bits", [16, 20, 24])
def test_counters_of_a_power_of_two(tmp_path, shape, bits):
    """16, 20 and 24 bits of microseconds, begun anywhere, give the loops that were."""
    made = make(shape, np.random.default_rng(2), 400)
    assert made.period_ms.max() < 60  # a loop longer than the counter cannot be told
    true, _ = periods(tmp_path, made)
    first = 2**24 - 2_000_000 if bits == 24 else 12_345
    wrapped = moved(made, lambda at: (at + first) % 2**bits)
    found, clock = periods(tmp_path, wrapped)
    assert found.tolist() == true.tolist()
    assert f"2^{bits} us" in clock.wraps[0]["note"]


@pytest.mark.parametrize("shape", NUMBERED)
@pytest.mark.parametrize("modulus", [1_303_000, 777_777])
def test_a_counter_on_no_list_is_learned(tmp_path, shape, modulus):
    """Only the loops in which it wraps are off, and those by less than a loop."""
    made = make(shape, np.random.default_rng(2), 400)
    true, _ = periods(tmp_path, made)
    found, clock = periods(tmp_path, moved(made, lambda at: (at + 5_000) % modulus))
    assert "learned" in clock.wraps[0]["note"]
    off = np.flatnonzero(found != true)
    assert len(off) <= 2 * len(clock.wraps)
    assert np.abs(found - true).max() <= np.median(true)


def test_calls_of_two_threads_wrap_together(tmp_path):
    """The rows of a second thread go where the loops are that they stand in."""
    rows = []
    for k in range(400):
        at = 10_000 * k
        rows += [("main", "gyro.read", at, 2000), ("main", "drive.write", at + 2500, 3000)]
        rows.append(("reader", "lift.read", at + 1000, 4000))
    text = "thread,name,start_us,duration_us\n"
    path = tmp_path / "log.csv"
    path.write_text(
        text + "".join(f"{a},{b},{(c + 99) % 2**20},{d}\n" for a, b, c, d in rows), encoding="utf-8"
    )
    (run,) = looptime.read_log(path).runs
    assert set(run.loop_columns.period_ns.tolist()) == {10_000_000}
    assert set(run.calls.groupby("name", observed=True)["duration_ns"].first()) == {2e6, 3e6, 4e6}
    starts = run.calls[run.calls["name"] == "lift.read"]["start_ns"]
    assert set(np.diff(starts)) == {10_000_000}


def test_the_rarest_of_the_common_names_is_met_once_a_loop():
    """Four wheels share a name; a telemetry call in every tenth loop is too rare."""
    loop = [0, 1, 1, 1, 1, 2]
    name = np.array(loop * 30 + [3] * 3)
    assert set(name[once_a_loop(name)].tolist()) == {0}


def test_a_wrong_stamp_moves_no_other():
    """One instant far off stays alone: the rows after it keep their wraps."""
    true = np.arange(0, 9000, 20)
    time = true % 4003
    time[100] = 3900
    found = wraps_of(time * 10**6, np.arange(450), Way("ms", 10**6, number=np.arange(450)))
    back = found.undone(time * 10**6) // 10**6
    assert (back == true).sum() == 449


@pytest.mark.parametrize("modulus", [2**16, 10**5])
@pytest.mark.parametrize("seed", [0, 1])
def test_stalls_longer_than_a_wrap_beside_another_thread(tmp_path, modulus, seed):
    """Calls of 70 ms in a counter of 16 bits, or of five digits: their lengths tell the rest."""
    draw = np.random.default_rng(seed)
    rows, starts, t = [], [], 40_000
    for k in range(300):
        starts.append(t)
        for name, usual in (("gyro", 1500), ("drive", 2500), ("arm", 1200)):
            took = int(usual * draw.uniform(0.8, 1.2)) + 70_000 * (name == "drive" and k % 80 == 50)
            rows.append((t, "main", name, took))
            t += took + 5
        t += int(draw.integers(100, 400))
    other = 41_000
    while other < t:
        rows.append((other, "vision", "grab", 3000))
        other += 3000 + int(draw.integers(4000, 6000))
    text = "".join(f"{th},{name},{at % modulus},{us}\n" for at, th, name, us in sorted(rows))
    run = read(tmp_path, "thread,name,start_us,duration_us\n" + text)
    assert run.loop_columns.period_ns.tolist() == (1000 * np.diff(starts)).tolist()
