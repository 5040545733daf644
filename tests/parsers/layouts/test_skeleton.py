"""What the skeleton does for every layout, shown by that of the developers' page."""

import re
import sys
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import pytest

from looptime.errors import LogError
from looptime.parsers import registry
from looptime.parsers.layouts.contract import Layout
from looptime.parsers.registry import load
from looptime.project import LogOptions, Project
from looptime.schema import TABLES
from tests.parsers.build import read

PAGE = Path(__file__).parents[3] / "DEVELOPERS.md"


@pytest.fixture
def with_rates(monkeypatch):
    """The page's layout, where a file of its name and a place in the list would put it."""
    (text,) = re.findall(r"```python\n(\"\"\"Layout.*?)```", PAGE.read_text("utf-8"), re.S)
    module = ModuleType("looptime.parsers.layouts.rates")
    exec(compile(text, "rates.py", "exec"), module.__dict__)
    monkeypatch.setitem(sys.modules, module.__name__, module)
    monkeypatch.setattr(registry, "TABLES", (*TABLES, "rates"))


def test_the_layout_of_the_developers_page_reads_a_log(with_rates, tmp_path):
    """Rates of 100, 50 and 40 Hz are periods of 10, 20 and 25 ms; a rate of nothing is no loop."""
    text = "loop,rate_hz,battery_v\n4,100,12.5\n5,50,12.25\n6,0,12\n7,40,11.5\n"
    run = read(tmp_path, text)
    assert run.layout == "rates"
    assert run.loops["period_ns"].tolist() == [10_000_000, 20_000_000, 25_000_000]
    assert run.loops["loop"].tolist() == [4, 5, 7]
    assert run.signals.values["battery_v"].tolist() == [12.5, 12.25, 11.5]
    assert run.set_aside.line.tolist() == [4]
    assert run.rows_read == 4


def test_a_refused_layout_names_an_added_layout_too(with_rates, tmp_path):
    """What was tried is the list, so an added layout is in the error of a log that fits none."""
    with pytest.raises(LogError, match="stamps, rates;"):
        read(tmp_path, "gyro,heading\n1,2\n3,1\n2,5\n")


def test_every_name_in_the_list_has_its_layout():
    """The list of names and the files agree, and a layout outranks only those after it."""
    for place, name in enumerate(TABLES):
        layout = load(name)
        assert isinstance(layout, Layout)
        assert layout.name == name
        assert set(layout.beats) <= set(TABLES[place + 1 :])


def test_a_period_in_a_stated_unit_shows_that_of_the_clock(tmp_path):
    """Steps of 20 beside a period of 20 ms are ms; by themselves that is no more than likely."""
    stamps = [20 * k + k % 3 for k in range(60)]
    rows = [f"{b},{b - a}" for a, b in pairwise(stamps)]
    shown = read(tmp_path, "time,dt_ms\n" + "\n".join(rows) + "\n")
    alone = read(tmp_path, "time\n" + "\n".join(map(str, stamps)) + "\n", "b.csv")
    assert not any("size" in limit for limit in shown.clock.limits)
    assert any("size" in limit for limit in alone.clock.limits)


@pytest.mark.parametrize(
    ("header", "there"),
    [("time_ms,gyro_ms,lift_ms", "the nearest is 'gyro'"),
     ("loop_start_us,after_gyro_us,after_lift_us", "the nearest is 'gyro'"),
     ("time_ms,battery_v,current_a", "the log has no calls")],
)  # fmt: skip
def test_a_call_that_begins_no_loop_is_refused_where_each_row_is_a_loop(tmp_path, header, there):
    """The command names a call that none is; a project file, which serves other logs, is heard."""
    starts = [20 * k + k % 3 for k in range(60)]
    rows = (f"{1000 * at},{1000 * at + 3000},{1000 * at + 7000}" if "_us" in header
            else f"{at},{3 + at % 3},{5 + at % 4}" for at in starts)  # fmt: skip
    text = "\n".join([header, *rows]) + "\n"
    with pytest.raises(LogError, match=f"no call is named 'gyrro'; {there}; each row is a loop"):
        read(tmp_path, text, loop_call="gyrro")
    run = read(tmp_path, text, project=Project(log=LogOptions(loop_call="gyrro")))
    assert any("no loop is begun by 'gyrro'" in note for note in run.clock.notes)
    assert len(run) >= 59
