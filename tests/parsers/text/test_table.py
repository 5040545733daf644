"""Rows that are read and rows that are set aside."""

import numpy as np
import pytest

from tests.parsers.build import periods_ms, read


def test_rows_of_another_length_are_set_aside(tmp_path):
    """Cells that are missing or too many are never filled up or shifted."""
    run = read(tmp_path, "time_ms,a,b\n0,1,2\n10,1\n20,1,2\n30,1,2,3\n40,1,2\n50,1,2\n60,1,2\n")
    assert run.set_aside.counts == {
        "wrong number of fields": 2,
        "rows lost around it": 2,
        "unfinished last loop": 1,
    }
    assert periods_ms(run) == [10.0, 10.0]
    assert run.set_aside.text[:2] == ("", "10,1")


def test_two_rows_glued_together(tmp_path):
    """A late row glued to the next is set aside with its text."""
    run = read(tmp_path, "time_ms,a\n0,1\n10,120,1\n30,1\n40,1\n50,1\n")
    assert "10,120,1" in run.set_aside.text
    assert run.set_aside.counts["wrong number of fields"] == 1


def test_damaged_rows_of_a_headerless_log(tmp_path):
    """Without a header no bad row is taken for one."""
    run = read(tmp_path, "0,5\n10,5\nnan,nan\n30,6\n40,6\n50,7\n")
    assert run.rows_read == 6
    assert run.set_aside.counts["missing value"] == 1


def test_numbers_out_of_all_bounds(tmp_path):
    """A count or a value that no number holds is missing; a time like that costs its row."""
    run = read(tmp_path, "loop,time_ms,speed\n1e400,0,1\n2,10,1e400\n3,20,1\n4,1e300,1\n5,40,1\n")
    assert run.set_aside.counts["unreadable number"] == 1
    assert np.isnan(run.signals.values["speed"]).tolist() == [False, True]


@pytest.mark.parametrize(("every", "commas"), [(1, 1), (2, 1), (10, 1), (10, 2)])
def test_empty_cells_at_the_end_of_some_rows(tmp_path, every, commas):
    """They are no reason to set a row aside, however many rows have them."""
    rows = [f"{20 * k},{k % 3}" + "," * (commas if k % every == 0 else 0) for k in range(50)]
    run = read(tmp_path, "time_ms,v\n" + "\n".join(rows) + "\n")
    assert periods_ms(run) == [20.0] * 49
    assert run.set_aside.counts == {"unfinished last loop": 1}


@pytest.mark.parametrize(
    "head",
    ["start;gyro;arm\nus;us;us", ";Timing (us);\nstart;gyro;arm", "start_us;gyro_us;arm_us"],
)
def test_the_rows_of_the_head_may_come_again(tmp_path, head):
    """A program that was started anew writes names, units and groups once more: no row is lost."""
    rows = [f"{20000 * k};{1000 + k % 9};{5000 + k % 7}" for k in range(200)]
    again = "\n".join([head, *rows[:90], head, *rows[90:]]) + "\n"
    run = read(tmp_path, again)
    assert periods_ms(run) == periods_ms(read(tmp_path, "\n".join([head, *rows]) + "\n"))
    assert len(run) == 199
    assert run.set_aside.counts == {"unfinished last loop": 1}
