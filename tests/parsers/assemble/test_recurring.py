"""Which call begins each loop, where nothing but the order of the calls and their gaps tells."""

from itertools import pairwise

import pytest

import looptime
from tests.parsers.assemble.build import HEADER, write
from tests.parsers.build import balance, periods_ms


@pytest.mark.parametrize("paced", [True, False])
def test_a_paced_loop_begins_after_its_wait(tmp_path, paced):
    """A log that starts within a loop shows another call first, which begins unpaced loops."""
    rows, at = [], 0
    for k in range(40):
        at = 10_000 * k if paced else at
        for name, us in (("gyro.read", 2000 + k * 7 % 5 * 300), ("arm.write", 3000)):
            rows.append(f"{name},{at},{us}\n")
            at += us + 10
    run = looptime.read(write(tmp_path, HEADER + "".join(rows[1:])))
    assert run.loop_from.startswith("'gyro.read'" if paced else "'arm.write'")
    assert (set(run.loop_columns.period_ns.tolist()) == {10_000_000}) is paced
    balance(run)


def log(cycle, loops=60, overhead=100, starts_at=0):
    """Rows of loops whose calls are those that `cycle` names for each, 300 us long, 10 apart."""
    rows, at = [], 0
    for k in range(loops):
        for name in cycle(k):
            rows.append(f"{name},{at},300\n")
            at += 310
        at += overhead
    return HEADER + "".join(rows[starts_at:])


def test_more_calls_of_every_tenth_loop_than_of_each(tmp_path):
    """Three calls every tenth loop beside two of each: a loop takes 0.72 ms, every tenth 1.65."""
    text = log(lambda k: ["imu", "drive", *(["a", "b", "c"] if k % 10 == 3 else [])])
    run = looptime.read(write(tmp_path, text))
    assert set(periods_ms(run)) == {0.72, 1.65}
    assert "such as 'a'" in run.loop_from
    balance(run)


@pytest.mark.parametrize("starts_at", [0, 3])
def test_more_calls_made_four_times_a_loop_than_once(tmp_path, starts_at):
    """Three calls for each of four wheels beside two a loop: a loop takes 14 * 0.31 + 0.1 ms."""
    text = log(lambda k: ["imu", *["read", "check", "write"] * 4, "arm"], starts_at=starts_at)
    run = looptime.read(write(tmp_path, text))
    assert set(periods_ms(run)) == {4.44}
    balance(run)


def test_without_time_between_loops_the_doubt_is_told(tmp_path):
    """Where no gap tells loops from what recurs in them, the other call is named."""
    text = log(lambda k: ["imu", *["read", "check", "write"] * 4, "arm"], overhead=0)
    run = looptime.read(write(tmp_path, text))
    assert "--loop-call names another, such as 'imu'" in run.loop_from
    asked = looptime.read(write(tmp_path, text), loop_call="imu")
    assert set(periods_ms(asked)) == {4.34}


def test_tasks_of_three_rates_on_one_core_have_the_loop_of_the_fastest(tmp_path):
    """Tasks every 10, 20 and 200 ms, played by their turns: the loop is the one of 10 ms."""
    rows, free = [], 0
    tasks = (("control", 10_000, 3000), ("lights", 20_000, 700), ("archive", 200_000, 14_500))
    due = sorted((k * every + 50, rank, name, us) for rank, (name, every, us) in enumerate(tasks)
                 for k in range(4_000_000 // every))  # fmt: skip
    starts = []
    for release, _, name, us in due:
        at = max(free, release)
        free = at + us
        rows.append((at, f"{name},{at},{us}\n"))
        starts += [at / 1000] if name == "control" else []
    run = looptime.read(write(tmp_path, HEADER + "".join(row for _, row in sorted(rows))))
    assert run.loop_from.startswith("'control'")
    assert periods_ms(run) == pytest.approx([b - a for a, b in pairwise(starts)])
    balance(run)


@pytest.mark.parametrize(("cut", "begins"), [(0, "imu"), (3, "imu"), (6, "imu"), (1, "leg1.pos")])
def test_a_log_from_the_middle_of_a_run_on_has_whole_runs(tmp_path, cut, begins):
    """Six like reads stand together in each loop, from whichever of them on the log was kept."""
    cycle = ["imu", *(f"leg{k}.pos" for k in range(1, 7)), "mix", "legs.send"]
    run = looptime.read(write(tmp_path, log(lambda k: cycle, overhead=0, starts_at=cut)))
    assert run.loop_from.startswith(f"'{begins}'")
    first = [run.names[code].name for code in run.call_columns.name[: len(cycle)]]
    at = cycle.index(begins)
    assert first == cycle[at:] + cycle[:at]
    balance(run)


def test_sections_without_a_clock_keep_runs_whole_too(tmp_path):
    """Of lengths alone, the order of the names tells where the loop begins."""
    cycle = ["mix", *(f"leg{k}" for k in range(1, 5))]
    rows = [f"{name},300\n" for _ in range(40) for name in cycle][3:]
    run = looptime.read(write(tmp_path, "section,duration_us\n" + "".join(rows)))
    assert run.loop_from.startswith("'leg1'")
    assert len(run) == 38
