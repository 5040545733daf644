"""Loops that follow from the section that repeats."""

import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.layouts.section_rows import CYCLES, DRIVE, GYRO, flat, text


@pytest.mark.parametrize("header", ["section,duration_ms\n", "name,ms\n", "section,took\n", ""])
def test_loops_follow_from_the_section_that_repeats(tmp_path, header):
    """Each loop begins with the first section that recurs; a period is the sum of the sections."""
    run = read(tmp_path, text(flat(CYCLES), header))
    assert run.layout == "sections"
    assert periods_ms(run) == [5.0, 5.0, 8.0, 7.0, 6.0]
    assert self_ms(run) == {"gyro": [float(g) for g in GYRO], "drive": [float(d) for d in DRIVE]}
    assert run.rows_used == 10
    assert "'gyro', which begins each loop" in run.loop_from
    assert run.clock.starts_from == "column order"


def test_start_up_sections_and_whole_run_totals(tmp_path):
    """What comes before the first loop and the length of the whole run are set apart."""
    rows = ["init.gyro,350", "init.camera,1200", *flat(CYCLES * 10), "run total,1900"]
    run = read(tmp_path, text(rows))
    assert len(run) == 50
    assert run.set_aside.counts == {"start-up section": 2, "whole-run total": 1}
    assert run.set_aside.line.tolist() == [2, 3, 104]


def test_total_without_the_word(tmp_path):
    """A rare row about as long as all loops together is a total of the run."""
    rows = [*flat(CYCLES * 10), "automatic,310"]
    run = read(tmp_path, text(rows))
    assert run.set_aside.counts == {"whole-run total": 1}


def test_unfinished_last_loop(tmp_path):
    """A last loop that lacks a section of its like is set aside."""
    run = read(tmp_path, text([*flat(CYCLES), "gyro,1"]))
    assert len(run) == 5
    assert run.set_aside.counts == {"unfinished last loop": 1}


def test_section_that_does_not_run_in_every_loop(tmp_path):
    """A rare section belongs to the loop in which it stands."""
    rows = flat([*CYCLES[:2], (*CYCLES[2], "telemetry,9"), *CYCLES[3:]])
    run = read(tmp_path, text(rows))
    assert self_ms(run)["telemetry"] == [0.0, 0.0, 9.0, 0.0, 0.0]
    assert periods_ms(run)[2] == 17.0


def test_damaged_row_takes_its_loop_along(tmp_path):
    """A loop in which a row was lost has no known length."""
    rows = flat(CYCLES)
    rows[3] = "drive,3,9"
    run = read(tmp_path, text(rows))
    assert periods_ms(run) == [5.0, 8.0, 7.0, 6.0]
    assert run.set_aside.counts == {"wrong number of fields": 1, "rows lost around it": 1}


def test_loop_column_and_option(tmp_path):
    """A loop column or the caller may say where loops begin."""
    rows = [f"{k},{row}" for k, cycle in enumerate(CYCLES) for row in cycle]
    run = read(tmp_path, text(rows, "loop,section,duration_ms\n"))
    assert run.loop_columns.loop.tolist() == [0, 1, 2, 3, 4]
    run = read(tmp_path, text(flat(CYCLES)), loop_call="drive")
    assert periods_ms(run) == [6.0, 6.0, 6.0, 8.0]
    assert run.set_aside.counts == {"start-up section": 1, "unfinished last loop": 1}
    with pytest.raises(LogError, match="nearest is 'drive'"):
        read(tmp_path, text(flat(CYCLES)), loop_call="drve")


def test_nothing_repeats(tmp_path):
    """Without a section that repeats there is no loop."""
    with pytest.raises(LogError, match="no section repeats"):
        read(tmp_path, text(["a,1", "b,2"]))


def test_timers_of_whole_runs_and_start_ups_between_the_loops(tmp_path):
    """Rare sections named for a start, and a rare one named for the loop, are no loop's parts."""
    session = ["initialise,900", "load maps,300", *["update,4", "update,5"] * 60]
    run = read(tmp_path, text([*session, "control_loop,2400", *session, "control_loop,2400"]))
    assert len(run) == 240
    assert set(periods_ms(run)) == {4.0, 5.0}
    assert run.set_aside.counts == {"start-up section": 4, "whole-run total": 2}
