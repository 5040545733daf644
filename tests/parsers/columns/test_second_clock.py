"""The skew of a second clock that jitters by far more than it drifts, with an honest interval."""

import numpy as np
import pytest

import looptime
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.second_clock import choose_clock

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
