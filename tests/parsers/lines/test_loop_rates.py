"""Rates of the loop, row by row: the period of each, or of many that are not known."""

import pytest

from looptime.errors import LogError
from tests.parsers.build import periods_ms, read

_RATES = [49.0, 50.0, 51.0, 48.5, 52.0] * 6


@pytest.mark.parametrize("apart_s", [0.5, 1, 10])
def test_rows_of_a_rate_of_many_loops(tmp_path, apart_s):
    """Half a second at 50 loops a second holds 25 of them."""
    rows = [f"{apart_s * k},{hz}\n" for k, hz in enumerate(_RATES)]
    said = f"\\('loop_hz'\\) of about {50 * apart_s:.3g} loops since the row before"
    with pytest.raises(LogError, match=said):
        read(tmp_path, "time_s,loop_hz\n" + "".join(rows))


def test_rows_of_one_loop_in_many_that_are_counted(tmp_path):
    """Every 25th loop is a row, as its number says: its own steps are read."""
    rows = [f"{0.5 * k},{25 * k},{hz},2.5\n" for k, hz in enumerate(_RATES)]
    assert len(read(tmp_path, "time_s,loop,loop_hz,gyro_ms\n" + "".join(rows))) == 29


def test_a_rate_of_each_loop_is_one_over_its_period(tmp_path):
    """49 loops a second are 20.408 ms each."""
    run = read(tmp_path, "n,loop_hz\n" + "".join(f"{k},{hz}\n" for k, hz in enumerate(_RATES)))
    assert periods_ms(run)[:2] == pytest.approx([20.408, 20.0], abs=0.001)
