"""Documents that hold a table, in the ways in which programs write one: loops by hand."""

import json
from itertools import pairwise

import pytest

from looptime.errors import LogError
from looptime.parsers.lines.documents import may_be_tabled, tabled
from tests.parsers.build import periods_ms, read, self_ms

NAMES = ["t_s", "gyro_ms", "drive_ms"]
ROWS = [[round(0.02 * k + 0.001 * (k % 3), 6), 2 + k % 4 / 10, 5.5 - k % 5 / 10] for k in range(60)]
BY_COLUMN = dict(zip(NAMES, map(list, zip(*ROWS, strict=True)), strict=True))
DOCUMENTS = {
    "rows and names": {"run": {"bench": 2}, "columns": NAMES, "rows": ROWS},
    "names in objects": {"columns": [{"name": name} for name in NAMES], "data": ROWS},
    "names and units": {
        "fields": [{"name": name.split("_")[0], "unit": name.split("_")[1]} for name in NAMES],
        "values": ROWS,
    },
    "a list of units": {"names": ["t", "gyro", "drive"], "units": ["s", "ms", "ms"], "rows": ROWS},
    "names in the first row": [NAMES, *ROWS],
    "a list a column": BY_COLUMN,
    "within": {"log": {"table": BY_COLUMN, "note": "aisle"}},
    "a column by its numbers": {
        name: {str(k): cell for k, cell in enumerate(cells)} for name, cells in BY_COLUMN.items()
    },
    "loops by their numbers": {
        "loops": {str(k): dict(zip(NAMES, row, strict=True)) for k, row in enumerate(ROWS)}
    },
    "unit beside values": {
        name.split("_")[0]: {"unit": name.split("_")[1], "values": cells}
        for name, cells in BY_COLUMN.items()
    },
}


@pytest.mark.parametrize("indent", [None, 1])
@pytest.mark.parametrize("document", DOCUMENTS.values(), ids=DOCUMENTS)
def test_a_table_in_a_document_is_read_as_its_rows(tmp_path, document, indent):
    run = read(tmp_path, json.dumps(document, indent=indent), "log.json")
    want = [round(1000 * (b[0] - a[0]), 6) for a, b in pairwise(ROWS)]
    assert periods_ms(run) == pytest.approx(want)
    assert self_ms(run) == {"gyro": [row[1] for row in ROWS[:-1]],
                            "drive": [row[2] for row in ROWS[:-1]]}  # fmt: skip


def test_a_unit_beside_the_table_is_that_of_its_times(tmp_path):
    """And of no heading; the parts follow from the clock."""
    rows = [[20_000 * k, 2000 + k % 7 * 300, 90 + k % 2] for k in range(60)]
    text = json.dumps({"time_unit": "us", "columns": ["t", "gyro", "heading"], "rows": rows})
    run = read(tmp_path, text, "log.json")
    assert set(periods_ms(run)) == {20.0}
    assert run.clock.unit_from == "log"


def test_a_unit_within_each_object_is_none_of_the_clock(tmp_path):
    """Objects over several lines: what the first says is no title of all."""
    loops = [{"start": 0.02 * k, "gyro": 2.5 + k % 3, "unit": "ms"} for k in range(60)]
    run = read(tmp_path, json.dumps(loops, indent=1), "log.json")
    assert periods_ms(run)[:3] == pytest.approx([20.0] * 3)


@pytest.mark.parametrize(
    "document",
    [
        {"names": ["a", "b"], "rows": [[1, 2], [3], [4, 5]]},
        {"gyro": [1, 2], "drive": [3, 4]},
        {"places": ["a", "b", "c"], "benches": ["d", "e", "f"]},
        {"rows": [[1, 2], [3, 4], [5, 6]]},
        [[1, 2], [3, 4], [5, 6], [7, 8]],
        {"columns": ["t", "t"], "rows": [[1, 2], [3, 4], [5, 6]]},
    ],
)
def test_what_is_no_table_or_has_no_names_is_none(document):
    """Rows of unlike width, two loops, words alone, numbers without names, a name twice."""
    assert tabled(json.dumps(document)) is None


def test_lines_that_are_rows_are_no_document():
    """A list within each line makes no table of columns; nor does a document cut short."""
    lines = [json.dumps({"t": k, "ms": [1, 2]}) for k in range(5)]
    assert not may_be_tabled(lines)
    assert may_be_tabled(lines[:1])
    assert tabled(json.dumps(DOCUMENTS["rows and names"])[:-40]) is None


def test_a_document_without_a_table_is_refused(tmp_path):
    with pytest.raises(LogError, match="one JSON document"):
        read(tmp_path, '{"loops": [[1, 2], [3, 4]], "seed": 7}', "log.json")
