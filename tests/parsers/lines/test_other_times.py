"""Which tables are brought to times at all."""

from looptime.parsers.lines.other_times import other_times
from tests.parsers.lines.build import ROWS


def test_a_plain_table_stays_as_it_is():
    """A clock in ms with parts in ms is left to be read as it stands."""
    lines = ["time_ms,imu_ms,drive_ms", *(f"{t},{imu},{drive}" for t, imu, drive in ROWS)]
    assert other_times(lines, "a.csv") is None


def test_a_table_of_cells_with_units_says_nothing_more():
    """Units in cells need no remark; the columns have them in their names."""
    lines = ["time,imu", *(f"{t} ms,{imu} ms" for t, imu, _ in ROWS)]
    found = other_times(lines, "a.csv")
    assert found is not None
    assert (found.grid.header(), found.said) == (["time [ms]", "imu [ms]"], ())
