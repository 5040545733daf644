"""The examples of the page about layouts are read as they stand there."""

import re
from pathlib import Path

import pytest

from looptime.schema import LAYOUTS, REASONS
from tests.parsers.build import read

PAGE = Path(__file__).resolve().parents[2] / "sample_logs" / "README.md"
TEXT = PAGE.read_text(encoding="utf-8")
EXAMPLES = re.findall(r"### `(\w+)`\n.*?```csv\n(.*?)```", TEXT, re.DOTALL)


def test_every_layout_has_an_example():
    """One each, in the order of the list."""
    assert tuple(layout for layout, _ in EXAMPLES) == LAYOUTS


@pytest.mark.parametrize(("layout", "log"), EXAMPLES)
def test_example(tmp_path, layout, log):
    """It is read as the layout under whose heading it stands, without any option."""
    run = read(tmp_path, log)
    assert run.layout == layout
    assert len(run) >= 2
    assert set(run.set_aside.counts) <= {"unfinished last loop", "start-up section"}


def test_every_reason_is_explained():
    """The closed list of reasons is the table's."""
    table = TEXT.partition("| reason | the row |")[2].partition("\n\n")[0]
    named = re.findall(r"`([^`]+)`", "".join(row.split("|")[1] for row in table.splitlines()[2:]))
    assert sorted(named) == sorted(REASONS)


def test_every_log_is_listed():
    """Each log of the folder stands in the table, and no other."""
    table = TEXT.partition("| log | what it shows |")[2]
    named = re.findall(
        r"`(\w+)`", "".join(row.split("|")[1] for row in table.splitlines()[2:] if "|" in row)
    )
    there = {path.name.partition(".")[0] for path in PAGE.parent.glob("*.csv*")}
    assert set(named) == there
