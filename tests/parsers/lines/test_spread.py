"""JSON objects that are printed over several lines."""

import json

import pytest

from looptime.parsers.lines.spread import is_printed, spread_objects
from looptime.parsers.read import read_log
from tests.parsers.build import periods_ms, read, self_ms
from tests.parsers.lines.build import COSTS, PERIODS, ROWS

OBJECTS = [{"t_ms": t, "parts_ms": {"imu": imu, "drive": drive}} for t, imu, drive in ROWS]
WAYS = {
    "one after another": "\n".join(json.dumps(one, indent=2) for one in OBJECTS),
    "a list": json.dumps(OBJECTS, indent=4),
    "a list with a name": json.dumps({"robot": "carrier", "loops": OBJECTS}, indent=1),
}


@pytest.mark.parametrize("text", WAYS.values(), ids=WAYS)
def test_an_object_may_span_lines(tmp_path, text):
    """Periods and parts are those of the same objects on a line each."""
    run = read(tmp_path, text + "\n", name="log.json")
    assert periods_ms(run) == PERIODS
    found = self_ms(run)
    assert {name.rpartition(".")[2]: ms for name, ms in found.items()} == COSTS


def test_lines_of_an_object_are_all_used(tmp_path):
    """Only the last loop, which has no end, is set aside with its lines."""
    path = tmp_path / "log.json"
    path.write_text(json.dumps(OBJECTS, indent=2) + "\n")
    log = read_log(path)
    # t_ms, parts, imu, drive and the brackets of both objects: seven lines each
    assert log.rows_read == 7 * len(OBJECTS)
    assert log.rows_by_reason == {"unfinished last loop": 7}


def test_brackets_without_an_object_are_none():
    """A list that holds values only, one a line, as a damaged log may begin."""
    lines = ["{", '"t": 1,', '"u": 2']
    assert is_printed(lines)
    assert spread_objects(lines) is None
    assert spread_objects(["[", *lines[1:], "]"]) is None
