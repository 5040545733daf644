"""Loops whose numbers a signed counter of 32 bits tells, below zero and across its end."""

import numpy as np
import pytest

import looptime
from looptime.parsers.clock.loop_numbers import as_logged, from_zero

N = 300


def _signed(first, n=N):
    return [(first + k + 2**31) % 2**32 - 2**31 for k in range(n)]


def _read(tmp_path, numbers, edges=False, skip=()):
    lines = ["loop,time_ms,name,edge" if edges else "loop,start_ms,name,duration_ms"]
    for k, number in enumerate(numbers):
        for late, name, ms in ((0, "gyro.read", 2), (5, "drive.write", 6)):
            at = 100 + 20 * k + late
            if k in skip:
                continue
            if edges:
                lines += [f"{number},{at},{name},begin", f"{number},{at + ms},{name},end"]
            else:
                lines.append(f"{number},{at},{name},{ms}")
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return looptime.read(path, cache=False)


@pytest.mark.parametrize("edges", [False, True])
@pytest.mark.parametrize("first", [0, -100, -500, -(2**31), 2**31 - 100])
def test_every_loop_of_a_signed_counter_is_read(tmp_path, first, edges):
    """300 loops of 20 ms, numbered as the log numbers them; only the last has no end."""
    run = _read(tmp_path, _signed(first), edges)
    assert run.loop_columns.loop.tolist() == _signed(first)[: N - 1]
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
    assert run.loop_from == "the loop column"
    assert len(run.set_aside) == (4 if edges else 2)


def test_a_loop_that_is_missing_behind_the_end_of_the_counter_is_seen(tmp_path):
    """The numbers of both sides still tell that one is missing: no loop of 40 ms."""
    run = _read(tmp_path, _signed(2**31 - 100), skip=(150,))
    assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
    assert len(run) == N - 3


def test_a_number_that_stands_for_none_stays_one(tmp_path):
    """-1 and -9999 beside numbers that count are rows without a loop's number."""
    assert from_zero(np.array([0, 1, -1, 2, -9999, -9999, 3])) is None
    moved, first = from_zero(np.array([-5, -4, -1, -3, -2, -1, 0]))
    assert (moved.tolist(), first) == ([0, 1, -1, 2, 3, 4, 5], -5)
    assert as_logged(moved[[0, 6]], first).tolist() == [-5, 0]
