"""Instants as a spreadsheet keeps them."""

import pytest

from tests.parsers.build import periods_ms, read


@pytest.mark.parametrize(("header", "mark", "parted"), [("when", ".", ","), ("Ora", ",", ";")])
def test_days_with_the_time_as_their_fraction(tmp_path, header, mark, parted):
    """50 ms are 5.787037e-7 days; ten decimals tell 8.64 us."""
    rows = [parted.join((f"{46450.4321 + k * 5.787037e-7:.10f}".replace(".", mark), f"6{mark}5"))
            for k in range(60)]  # fmt: skip
    run = read(tmp_path, "\n".join([parted.join((header, "gyro (ms)")), *rows, ""]))
    assert periods_ms(run) == pytest.approx([50.0] * 59, abs=0.01)


def test_other_numbers_with_many_decimals_are_none(tmp_path):
    """A position in the field beside a clock stays what it is."""
    rows = [f"{20 * k},{46450.4321 + k * 0.5:.8f},2\n" for k in range(40)]
    run = read(tmp_path, "time_ms,rail_pos,gyro_ms\n" + "".join(rows))
    assert set(periods_ms(run)) == {20.0}


def test_the_header_of_such_a_table_is_no_line_above_the_rows(tmp_path):
    """Its units are those of their own columns: the loop's number has none."""
    rows = [f"{46450.4321 + k * 5.787037e-7:.10f};{k + 1};6.5;8.1" for k in range(60)]
    run = read(tmp_path, "\n".join(["Ora;Ciclo;gyro (ms);motori (ms)", *rows, ""]))
    assert [n.name for n in run.names] == ["gyro", "motori"]
    assert run.loop_columns.loop[:3].tolist() == [1, 2, 3]
