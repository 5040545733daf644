"""What is said of a log that cannot be read, and what would read it."""

from __future__ import annotations

import pytest

from looptime.errors import LogError
from tests.parsers.build import read, self_ms


@pytest.mark.parametrize(
    ("text", "message", "columns"),
    [
        ("0,5.1\n1,5.2\n2,5.0\n3,5.3\n", "first column counts the rows", "skip,dt"),
        ("gyro,1,2\ndrive,4,3\n", "first column holds words", "name,start_ms,duration_ms"),
        ("0,gyro,1\n5,drive,2\n20,gyro,1\n27,drive,3\n", "column 2 holds words that come and go",
         "start_ms,name,duration_ms"),
        ("".join(f"{k},{1790000000000000 + k * 10**6},{1790000000000500 + k * 10**6},500\n"
                 for k in range(9)), "first column counts the rows", "skip,start_us,end_us,skip"),
    ],
)  # fmt: skip
def test_headerless_without_a_clock(tmp_path, text, message, columns):
    """What cannot be told is asked for, with names that were tried on the log's own rows."""
    with pytest.raises(LogError, match=message) as caught:
        read(tmp_path, text)
    assert f'--columns "{columns}" it is read with each row' in str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("3,5,6\n1,4,6\n2,9,6\n0,9,9\n", "no column rises as a time does"),
        ("x,y,heading\n0.5,1.5,90\n0.4,1.2,91\n0.7,1.6,90\n", "has no time column and no duration"),
        ("-3.5\n2.5\n-1.25\n4\n", "is one number a line .* --rate-hz"),
        ("The loop felt slow in the second match today.\nWe moved the gyro to another bus.\n"
         "Nothing else was changed, but line 3 needs 1 look.\n", "is prose and no log"),
        ("time,text\n" + "".join(f"12:00:{k:02}.5,message number {k} of the day\n"
                                 for k in range(30)), "each row is a message"),
    ],
)  # fmt: skip
def test_what_leads_nowhere_is_not_suggested(tmp_path, text, message):
    """Where no naming of the columns can help, none is given, and what is missing is said."""
    with pytest.raises(LogError, match=message) as caught:
        read(tmp_path, text)
    assert '--columns "' not in str(caught.value)
    assert "\n" not in str(caught.value)


def test_headerless_edges_are_read_with_the_columns_that_the_error_names(tmp_path):
    """Typing the example as it stands reads the log."""
    text = "".join(
        f"{k * 20_000},loop,begin,7\n{k * 20_000 + 10},gyro.read,begin,7\n"
        f"{k * 20_000 + 1210},gyro.read,end,7\n{k * 20_000 + 19_000},loop,end,7\n"
        for k in range(5)
    )
    with pytest.raises(LogError) as caught:
        read(tmp_path, text)
    run = read(tmp_path, text, columns=str(caught.value).split('"')[1])
    assert run.layout == "edges"
    assert self_ms(run)["gyro.read"] == [1.2] * 4


@pytest.mark.parametrize("unit", ["minute", "Hours"])
def test_a_row_each_minute_is_no_control_loop(tmp_path, unit):
    """A column of minutes is a time, but none of a control loop."""
    rows = "".join(f"{k},{12.9 - k / 100:.2f},3.9\n" for k in range(30))
    message = f"no more than a row a {unit.lower().rstrip('s')}, by its column '{unit}'"
    with pytest.raises(LogError, match=message):
        read(tmp_path, f"{unit},volt,amp\n{rows}")
