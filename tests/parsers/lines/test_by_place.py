"""Tables of fixed width with blank cells, read by the place of the names."""

import pytest

from looptime.parsers.lines.by_place import parted_by_place
from tests.parsers.build import periods_ms, read, self_ms

LOOPS = 40
TOP = ("TIME", "LOOP", "IMU", "DRIVE", "MAST", "MODE")
UNITS = ("ms", "", "ms", "ms", "ms", "")
#: The mast runs in one loop of four, which is longer by it.
ROWS = [
    (10 * k + 3 * ((k + 3) // 4), k, 1.5, 6 + k % 3 / 10, 3.0 if k % 4 == 0 else "", "auto")
    for k in range(LOOPS)
]


@pytest.mark.parametrize("title", ["", "carrier in the hall with all of its trays and lamps\n\n"])
@pytest.mark.parametrize("side", ["<", ">"], ids=["left", "right"])
@pytest.mark.parametrize("units", [True, False], ids=["units below", "units in the names"])
def test_cells_belong_to_the_name_they_stand_under(tmp_path, title, side, units):
    """Loops of 13 ms where the mast runs, of 10 ms where its cell is blank."""
    names = (
        TOP
        if units
        else [f"{name}_{unit}".strip("_") for name, unit in zip(TOP, UNITS, strict=True)]
    )
    rows = [names, *([UNITS] if units else []), *ROWS]
    text = "".join(" ".join(f"{cell!s:{side}9}" for cell in row).rstrip() + "\n" for row in rows)
    run = read(tmp_path, title + text)
    assert periods_ms(run) == [13.0 if k % 4 == 0 else 10.0 for k in range(LOOPS - 1)]
    found = {name[:4].lower(): ms for name, ms in self_ms(run).items()}
    assert found["imu"] == [1.5] * (LOOPS - 1)
    assert sum(found["mast"]) == 3.0 * 10
    assert found["driv"] == pytest.approx([6 + k % 3 / 10 for k in range(LOOPS - 1)])


@pytest.mark.parametrize("row", ["{k:5}   1.5", "{k} 1.5 3", "step {k} took 1.5"])
def test_other_lines_are_left_as_they_are(row):
    """Cells that are all there, that stand under no name, and sentences."""
    lines = [" TIME   IMU", *(row.format(k=k) for k in range(0, 400, 20))]
    assert parted_by_place(lines) is lines
    assert parted_by_place(["time imu mast", *lines[1:]]) == ["time imu mast", *lines[1:]]
