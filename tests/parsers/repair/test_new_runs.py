"""A header that stands in a log again cuts it into runs, where the clock goes on after a rest."""

import numpy as np
import pytest

import looptime

STEP_MS = 20


def _lines(layout, count, first_ms, number=None):
    at = first_ms + STEP_MS * np.arange(count)
    lead = [""] * count if number is None else [f"{number + k}," for k in range(count)]
    if layout == "costs":
        return [f"{n}{t},1.5,6.25" for n, t in zip(lead, at, strict=True)]
    return [
        f"{n}{t + late},{name},{ms}"
        for n, t in zip(lead, at, strict=True)
        for late, name, ms in ((0, "gyro.read", 1.5), (5, "drive.write", 6.25))
    ]


def _read(tmp_path, layout, parts, head=True, numbered=False):
    header = {"costs": "time_ms,gyro_ms,drive_ms", "calls": "start_ms,name,duration_ms"}[layout]
    header = f"loop,{header}" if numbered else header
    lines = []
    for k, part in enumerate(parts):
        lines += ([header] if head or not k else []) + part
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return looptime.read_log(path, cache=False)


@pytest.mark.parametrize("layout", ["costs", "calls"])
def test_a_header_after_a_rest_begins_a_run(tmp_path, layout):
    """Two recordings 3 s apart by one clock: two runs, and no loop of 3 s."""
    parts = [_lines(layout, 60, 500), _lines(layout, 80, 500 + 60 * STEP_MS + 3000)]
    log = _read(tmp_path, layout, parts)
    assert len(log.runs) == 2
    periods = np.concatenate([run.loop_columns.period_ns for run in log.runs])
    assert set(periods.tolist()) == {STEP_MS * 10**6}
    assert sum(run.rows_read for run in log.runs) == sum(map(len, parts))
    assert all(r.rows_read == r.rows_used + len(r.set_aside) for r in log.runs)


@pytest.mark.parametrize("layout", ["costs", "calls"])
def test_a_rest_without_a_header_is_a_slow_loop(tmp_path, layout):
    """The same rows with one header: a loop that lasted 3 s, which is told as it is."""
    parts = [_lines(layout, 60, 500), _lines(layout, 80, 500 + 60 * STEP_MS + 3000)]
    [run] = _read(tmp_path, layout, parts, head=False).runs
    assert run.loop_columns.period_ns.max() == (3000 + STEP_MS) * 10**6


@pytest.mark.parametrize("layout", ["costs", "calls"])
def test_a_header_on_every_page_cuts_nothing(tmp_path, layout):
    """A logger that repeats its header every 20 loops, once after a stall of 200 ms: one run."""
    parts = [_lines(layout, 20, 500 + k * 20 * STEP_MS + (200 if k > 2 else 0)) for k in range(6)]
    [run] = _read(tmp_path, layout, parts).runs
    assert run.loop_columns.period_ns.max() == (200 + STEP_MS) * 10**6


def test_a_number_that_goes_on_is_the_same_run(tmp_path):
    """Where the loops are numbered on across the header the program was not started again."""
    late = 500 + 60 * STEP_MS + 3000
    parts = [_lines("costs", 60, 500, number=0), _lines("costs", 60, late, number=60)]
    [run] = _read(tmp_path, "costs", parts, numbered=True).runs
    assert run.loop_columns.period_ns.max() == (3000 + STEP_MS) * 10**6
    parts[1] = _lines("costs", 60, late, number=0)
    assert len(_read(tmp_path, "costs", parts, numbered=True).runs) == 2


@pytest.mark.parametrize("header", [False, True])
@pytest.mark.parametrize("early", [0, 1, 5])
@pytest.mark.parametrize("first_ms", [100, 1500, 20_000])
def test_a_thread_that_starts_in_the_later_run_belongs_there(tmp_path, first_ms, early, header):
    """Its first rows stand before the loop's: no call of the earlier run is on that thread.

    The clock begins anew below, within, or far beyond the times of the earlier run.
    """
    head = "start_ms,thread,name,duration_ms"
    lines = [head]
    for k in range(100):
        lines += [f"{1000 + 20 * k},main,gyro.read,1.5", f"{1005 + 20 * k},main,drive.write,6.25"]
    lines += [head] if header else []
    lines += [f"{first_ms + 4 * j},vision,camera.read,3" for j in range(early)]
    for k in range(100):
        at = first_ms + 4 * early + 20 * k
        lines += [
            f"{at},main,gyro.read,1.5", f"{at + 5},main,drive.write,6.25",
            f"{at + 3},vision,camera.read,5",
        ]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    old, new = looptime.read_log(path, cache=False).runs
    assert (old.rows_read, new.rows_read) == (200, 300 + early)
    assert set(old.call_columns.thread.tolist()) == {old.loop_thread}
    for run in (old, new):
        assert set(run.loop_columns.period_ns.tolist()) == {20_000_000}
        assert run.rows_read == run.rows_used + len(run.set_aside)


@pytest.mark.parametrize(("from_", "runs"), [(0, 2), (100, 1)])
def test_numbers_of_rows_that_begin_anew_are_those_of_another_run(tmp_path, from_, runs):
    """The clock goes on over a rest of two loops: only the rows' numbers tell."""
    lines = ["seq,time_ms,name,edge"]
    for first, seq in ((0, 0), (1060, from_)):
        for k in range(50):
            lines += [f"{seq + 2 * k},{first + 20 * k},gyro.read,begin",
                      f"{seq + 2 * k + 1},{first + 20 * k + 6},gyro.read,end"]  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = looptime.read_log(path, cache=False).runs
    assert len(found) == runs
    assert {max(run.loop_columns.period_ns) for run in found} == {
        20_000_000 if runs == 2 else 80_000_000
    }


def _counted(tmp_path, header, row, gaps=(0, 2000, 3100), count=60):
    """Three stretches of loops with rests between them [ms]; `row(run, k, all)` leads each row."""
    lines, at, number = [header], 500, 0
    for run, gap in enumerate(gaps):
        at += gap
        for k in range(count):
            lines.append(f"{row(run, k, number)},{at},1.5,6.25")
            at, number = at + STEP_MS, number + 1
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return looptime.read_log(path, cache=False).runs


@pytest.mark.parametrize("name", ["i", "n", "sample", "step", "loop"])
def test_a_counter_that_begins_anew_after_a_rest_begins_a_run(tmp_path, name):
    """Whatever the column is called that counts rows from 0: three runs, no loop of 2 or 3 s."""
    runs = _counted(tmp_path, f"{name},time_ms,gyro_ms,drive_ms", lambda run, k, number: k)
    assert [len(run.loop_columns.period_ns) for run in runs] == [59, 59, 59]
    assert all(set(run.loop_columns.period_ns.tolist()) == {STEP_MS * 10**6} for run in runs)


@pytest.mark.parametrize("name", ["enable", "run", "session_id"])
def test_a_run_number_that_goes_up_after_a_rest_begins_a_run(tmp_path, name):
    """The number of the run goes from 1 to 2 to 3 across the rests, and rows are not counted."""
    runs = _counted(tmp_path, f"{name},time_ms,gyro_ms,drive_ms", lambda run, k, number: run + 1)
    assert len(runs) == 3


def test_numbers_that_go_on_across_a_rest_leave_one_run(tmp_path):
    """Rows counted on across both rests: two slow loops, which are told as they are."""
    [run] = _counted(tmp_path, "n,time_ms,gyro_ms,drive_ms", lambda run, k, number: number)
    assert sorted(run.loop_columns.period_ns)[-2:] == [2020 * 10**6, 3120 * 10**6]


def test_a_counter_that_wraps_while_rows_go_on_cuts_nothing(tmp_path):
    """Slots of a buffer of 25 begin anew between the rests, too: they say nothing of runs."""
    [run] = _counted(tmp_path, "slot,time_ms,gyro_ms,drive_ms", lambda run, k, number: number % 25)
    assert run.loop_columns.period_ns.max() == 3120 * 10**6


def test_loop_numbers_of_calls_that_begin_anew_after_a_rest_begin_a_run(tmp_path):
    """Timed calls whose loop number starts at 0 again, after a rest of 2 s: two runs."""
    lines, at = ["loop,start_ms,name,duration_ms"], 500
    for _ in range(2):
        for k in range(60):
            lines += [f"{k},{at},gyro.read,1.5", f"{k},{at + 5},drive.write,6.25"]
            at += STEP_MS
        at += 2000
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    runs = looptime.read_log(path, cache=False).runs
    assert len(runs) == 2
    assert all(run.loop_columns.period_ns.max() == STEP_MS * 10**6 for run in runs)


@pytest.mark.parametrize("name", ["enable", "match_state"])
def test_a_flag_or_a_state_that_changes_after_a_rest_leaves_one_run(tmp_path, name):
    """What the robot does when it is enabled may stall it: the slow loop is told as it is."""
    most = 1 if name == "enable" else 2
    [run] = _counted(
        tmp_path, f"{name},time_ms,gyro_ms,drive_ms", lambda run, k, number: min(run, most)
    )
    assert max(run.loop_columns.period_ns) == 3120 * 10**6
