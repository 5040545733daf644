"""What the headers of columns say."""

import pytest

from looptime.errors import UsageError
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.tables import LOGS, table


def test_columns_left_out(tmp_path):
    """`skip` leaves a column out."""
    run = read(tmp_path, "7,0,1.5\n9,20,2.5\n3,40,1.5\n8,60,3\n", columns="skip,time_ms,gyro_ms")
    assert run.layout == "costs"
    assert self_ms(run) == {"gyro": [1.5, 2.5, 1.5]}
    assert run.signals is None


def test_columns_named_over_a_header(tmp_path):
    """The caller's names win over a header, which is then no row."""
    run = read(tmp_path, "a,b\n0,1\n20,2\n40,3\n", columns="time_ms,heading")
    assert periods_ms(run) == [20.0, 20.0]
    assert run.rows_read == 3


def test_wrong_number_of_names(tmp_path):
    """Names that do not go with the rows are an error that shows a row."""
    with pytest.raises(UsageError, match=r"names 1 columns.*2 cells.*'0,1'"):
        read(tmp_path, "0,1\n20,2\n40,3\n", columns="time_ms")


@pytest.mark.parametrize("name", ["Start [us]", "start(us)", "startUs", "t_us", "Timestamp (us)"])
@pytest.mark.parametrize("length", ["Duration [us]", "elapsed_us", "took (us)", "durUs"])
def test_spellings_of_calls(tmp_path, name, length):
    """Headers are read whatever their case, blanks and brackets."""
    rows = LOGS["calls"][1]
    run = read(tmp_path, table(("Call name", name, length), rows))
    assert run.layout == "calls"
    assert periods_ms(run) == [1.0] * 3
