"""Long rows of a name and a duration, without any clock."""

import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read, self_ms, unattributed_ms

GYRO, DRIVE = [1, 2, 3, 1, 2], [4, 3, 5, 6, 4]
CYCLES = [(f"gyro,{a}", f"drive,{b}") for a, b in zip(GYRO, DRIVE, strict=True)]


def text(rows, header="section,duration_ms\n"):
    """Rows as a log."""
    return header + "\n".join(rows) + "\n"


def flat(cycles):
    """Rows of all cycles."""
    return [row for cycle in cycles for row in cycle]


@pytest.mark.parametrize("header", ["section,duration_ms\n", "name,ms\n", "section,took\n", ""])
def test_loops_follow_from_the_section_that_repeats(tmp_path, header):
    """Each loop begins with the first section that recurs; a period is the sum of the sections."""
    run = read(tmp_path, text(flat(CYCLES), header))
    assert run.layout == "sections"
    assert periods_ms(run) == [5.0, 5.0, 8.0, 7.0, 6.0]
    assert self_ms(run) == {"gyro": [float(g) for g in GYRO], "drive": [float(d) for d in DRIVE]}
    assert run.rows_used == 10
    assert "'gyro' begins each loop" in run.loop_from
    assert run.clock.starts_from == "column order"


def test_the_duration_may_stand_first(tmp_path):
    """Headerless rows are told by what is a word and what a number."""
    rows = [",".join(reversed(row.split(","))) for row in flat(CYCLES)]
    assert periods_ms(read(tmp_path, text(rows, ""))) == [5.0, 5.0, 8.0, 7.0, 6.0]


def test_start_up_sections_and_whole_run_totals(tmp_path):
    """What comes before the first loop and the length of the whole run are set apart."""
    rows = ["init.gyro,350", "init.camera,1200", *flat(CYCLES * 10), "run total,1900"]
    run = read(tmp_path, text(rows))
    assert len(run) == 50
    assert run.set_aside.counts == {"start-up section": 2, "whole-run total": 1}
    assert run.set_aside.line.tolist() == [2, 3, 104]


def test_total_without_the_word(tmp_path):
    """A rare row about as long as all loops together is a total of the run."""
    rows = [*flat(CYCLES * 10), "autonomous,310"]
    run = read(tmp_path, text(rows))
    assert run.set_aside.counts == {"whole-run total": 1}


def test_long_rare_section_is_part_of_its_loop(tmp_path):
    """One stall in the middle is no total of the run."""
    rows = [*flat(CYCLES * 10), *CYCLES[0], "camera.open,120", *flat(CYCLES * 10)]
    run = read(tmp_path, text(rows))
    assert run.set_aside.counts == {}
    assert max(periods_ms(run)) == 125.0


@pytest.mark.parametrize("place", ["first", "last"])
def test_row_that_is_the_whole_loop(tmp_path, place):
    """A section called total is the period, before or after its parts; the rest is unattributed."""
    rows = []
    for a, b in zip(GYRO, DRIVE, strict=True):
        total, parts = [f"total,{a + b + 2}"], [f"gyro,{a}", f"drive,{b}"]
        rows += total + parts if place == "first" else parts + total
    run = read(tmp_path, text(rows))
    assert periods_ms(run) == [7.0, 7.0, 10.0, 9.0, 8.0]
    assert unattributed_ms(run) == [2.0] * 5
    assert sorted(self_ms(run)) == ["drive", "gyro"]


def test_total_below_its_parts(tmp_path):
    """A given total smaller than the sum of the parts leaves a negative rest, not a lie."""
    rows = [r for a, b in zip(GYRO, DRIVE, strict=True)
            for r in (f"gyro,{a}", f"drive,{b}", f"total,{a + b - 1}")]  # fmt: skip
    assert unattributed_ms(read(tmp_path, text(rows))) == [-1.0] * 5


def test_section_that_is_the_sum_of_others(tmp_path):
    """A timer around two others is not counted twice."""
    rows = []
    for k, (a, b) in enumerate(zip(GYRO, DRIVE, strict=True)):
        rows += [f"gyro,{a}", f"drive,{b}", f"update,{a + b}", f"log,{k + 1}"]
    run = read(tmp_path, text(rows))
    assert self_ms(run)["update"] == [0.0] * 5
    assert periods_ms(run) == [6.0, 7.0, 11.0, 11.0, 11.0]
    assert unattributed_ms(run) == [0.0] * 5


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


def test_section_timed_twice_in_a_loop(tmp_path):
    """Both rows count in their loop."""
    rows = flat([(a, b, "gyro2,1", "gyro2,1") for a, b in CYCLES])
    run = read(tmp_path, text(rows))
    assert self_ms(run)["gyro2"] == [2.0] * 5
    assert len(run) == 5


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


def test_what_the_timer_of_a_whole_run_says(tmp_path):
    """One timer of the whole run over its loops is how long each took, waits and all."""
    run = read(tmp_path, text([*["update,4", "update,5"] * 60, "main_loop,2400"]))
    assert len(run) == 120
    assert any("2.4 s for 120 loops are 20 ms a loop" in note for note in run.clock.notes)
