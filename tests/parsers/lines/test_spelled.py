"""Cells that name their units themselves."""

from decimal import Decimal
from itertools import pairwise

import pytest

from looptime.parsers.lines.spelled import seconds_of, spelled
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, PERIODS, ROWS

WAYS = {
    "a unit a column": "{t} ms,{imu} ms,{drive} ms",
    "units that change": "{s:.3f} s,{imu}000 us,0.00{drive} s",
    "minutes and seconds": "3m{s:06.3f}s,0h0m0.00{imu}s,0m0.00{drive}s",
    "hours to seconds": "0:00:{s:06.3f},0:00:00.00{imu},0 days 00:00:00.00{drive}",
}


@pytest.mark.parametrize("pattern", WAYS.values(), ids=WAYS)
def test_cells_may_name_their_units(tmp_path, pattern):
    """Periods and parts are those of the same numbers without units."""
    rows = "".join(
        pattern.format(t=t, s=t / 1000, imu=imu, drive=drive) + "\n" for t, imu, drive in ROWS
    )
    run = read(tmp_path, "time,imu,drive\n" + rows)
    assert periods_ms(run) == PERIODS
    assert self_ms(run) == COSTS


def test_cells_may_have_a_decimal_comma_before_their_unit(tmp_path):
    """The same loops as a spreadsheet writes them, with a voltage that names no unit."""
    rows = "".join(f"{t / 1000:.3f} s;{imu},0 ms;{drive} ms;12,5\n" for t, imu, drive in ROWS)
    run = read(tmp_path, "time;imu;drive;volts\n" + rows.replace(".", ","))
    assert periods_ms(run) == PERIODS
    assert self_ms(run) == COSTS
    assert spelled(["t;imu", *(f"1,50{k} ms;2,00{k} ms" for k in range(4))]) is None


@pytest.mark.parametrize("way", ["0:00:00,00{}", "00:00,00{}", "0 days 00:00:00,00{}"])
def test_lengths_on_a_clock_may_have_a_decimal_comma(tmp_path, way):
    """Hours or none, and lengths that mostly stand still in a coarse print; volts beside them."""
    rows = "".join(
        f"10:00:{t / 1000:06.3f};{way.format(imu)};{way.format(drive)};12.55\n".replace(".", ",")
        for t, imu, drive in ROWS
    )
    run = read(tmp_path, "time;imu;drive;volts\n" + rows)
    assert periods_ms(run) == PERIODS
    assert self_ms(run) == COSTS
    still = [f"10:00:00,{20 * k:03d};00:00:00,003" for k in range(12)]
    assert spelled(["time;mast", *still]).rows[-1] == ["10:00:00,220", "3000000"]


def test_metres_are_no_minutes():
    """A number with an m alone is no length of time; one with min is."""
    assert seconds_of("5m") is None
    assert seconds_of("5 min") == Decimal(300)
    assert spelled(["place,way", "1,5m", "2,6m", "3,7m", "4,7m"]) is None


def test_numbers_that_are_spelt_in_hexadecimal_or_with_thousands(tmp_path):
    """Twelve loops in hexadecimal, and in quoted cells with commas, in their header's unit."""
    for spell in (lambda n: f"0x{n:08X}", lambda n: f'"{n:,}"'):
        rows = [
            f"{spell(5_000_000 + 20_000 * k + 100 * (k % 3))},{spell(9000 + k)}" for k in range(12)
        ]
        run = read(tmp_path, "\n".join(["t_us,gyro_us", *rows]) + "\n")
        wanted = [20 + 0.1 * ((k + 1) % 3 - k % 3) for k in range(11)]
        assert periods_ms(run) == pytest.approx(wanted)
        assert self_ms(run)["gyro"] == pytest.approx([9 + k / 1000 for k in range(11)])


@pytest.mark.parametrize("spell", ["{:08X}", "{:08x}", "0x{:08X}"])
def test_a_counter_in_bare_hexadecimal_that_wraps(tmp_path, spell):
    """Loops of 20.0 to 20.2 ms by a counter of 32 bits that runs over at the sixth."""
    times = [(1 << 32) - 100_000 + 20_000 * k + 100 * (k % 3) for k in range(13)]
    rows = [f"{spell.format(t % (1 << 32))},{9000 + k % 7}" for k, t in enumerate(times)]
    run = read(tmp_path, "\n".join(["t_us,gyro_us", *rows]) + "\n")
    assert periods_ms(run) == pytest.approx([(b - a) / 1000 for a, b in pairwise(times)])
    assert self_ms(run)["gyro"] == pytest.approx([9 + k % 7 / 1000 for k in range(12)])


def test_words_of_the_letters_a_to_f_are_no_numbers(tmp_path):
    """Calls named by what a bus calls its devices keep their names."""
    names, rows, now = ("00A1", "00B2", "face"), [], 0
    for k in range(120):
        rows.append(f"{names[k % 3]},{now},{1000 + k % 5}")
        now += 1200 + 700 * (k % 3 == 2)
    run = read(tmp_path, "\n".join(["name,start_us,duration_us", *rows]) + "\n")
    assert {name.name for name in run.names} >= set(names)


def test_milliseconds_after_a_colon(tmp_path):
    """10:00:00:985 and 20 ms on: the time of day goes on over the second."""
    times = [985 + 20 * k for k in range(12)]
    rows = [f"10:00:{ms // 1000:02d}:{ms % 1000:03d},{2 + k % 3}" for k, ms in enumerate(times)]
    run = read(tmp_path, "\n".join(["Zeit,gyro_ms", *rows]) + "\n")
    assert periods_ms(run) == [20] * 11
