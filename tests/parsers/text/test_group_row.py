"""Two rows of names above the columns: groups, and what is in them."""

import pytest

from tests.parsers.build import periods_ms, read, self_ms

ROWS = [(0, 3, 5, 1.5), (20, 4, 5, 1.6), (40, 3, 6, 1.7), (60, 3, 7, 1.8), (80, 4, 5, 1.7)]


def log(groups, names, mark=","):
    """Two rows of names and five of values: a clock [ms], two lengths [ms], a voltage."""
    return "\n".join([groups, names, *(mark.join(map(str, row)) for row in ROWS)]) + "\n"


@pytest.mark.parametrize(
    ("groups", "names", "mark"),
    [
        (",Durations [ms],,Power", "time_ms,imu,drive,volts", ","),
        ("time;took;took;power", "ms;imu_ms;drive_ms;V", ";"),
        ("clock\ttiming (ms)\t\tsupply", "ms\timu\tdrive\tvolts", "\t"),
    ],
)
def test_a_group_of_lengths_says_what_stands_below_it(groups, names, mark, tmp_path):
    """Its columns are parts of the loop, in its unit; its row is no row of the log."""
    run = read(tmp_path, log(groups, names, mark))
    found = {name.rpartition(".")[2]: ms for name, ms in self_ms(run).items()}
    assert found == {"imu": [3, 4, 3, 3], "drive": [5, 5, 6, 7]}
    assert periods_ms(run) == [20, 20, 20, 20]
    assert run.set_aside.counts == {"unfinished last loop": 1}


def test_groups_tell_two_columns_of_one_name_apart(tmp_path):
    """``front`` and ``rear`` have an angle and a read each."""
    text = log(",front,,rear", "time_ms,read_ms,read2_ms,read_ms")
    assert list(self_ms(read(tmp_path, text))) == ["front.read", "read2", "rear.read"]


def test_a_title_above_the_names_is_no_group(tmp_path):
    """It stands above the first column, and says nothing of any."""
    text = log("Run 3 of the tray carrier,,,", "time_ms,imu_ms,drive_ms,volts")
    assert list(self_ms(read(tmp_path, text))) == ["imu", "drive"]


def test_where_names_say_their_unit_the_group_makes_no_lengths_of_the_others(tmp_path):
    """One word above all columns, of which two are in ms: a voltage stays one."""
    text = log("times,,,", "time_ms,imu_ms,drive_ms,volts")
    assert {name.rpartition(".")[2] for name in self_ms(read(tmp_path, text))} == {"imu", "drive"}
