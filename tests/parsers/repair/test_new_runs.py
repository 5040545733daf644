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
