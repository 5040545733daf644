"""The project file: what it may say, what is refused and how, labels, where it is looked for."""

import pytest

from looptime.errors import ProjectError
from looptime.project import CallRule, Project, find_project
from looptime.schema import CallName

WHOLE = """
[log]
layout = "calls"
unit = "us"
columns = "name,time"
loop_call = "loop"
[loop]
budget_ms = 25
serious_ms = 40.5
threads = "take turns"
switch_interval_ms = 2
[[call]]
match = "drive.*.read"
kind = "sensor read"
bus = "port"
items = 2
batchable = true
recurs = "loop"
[[call]]
match = "drive.*"
subsystem = "base"
[bus.port]
base_ms = 0.5
per_item_ms = 0.2
lock = "fair"
[robot]
name = "tray-carrier"
max_turn_rate_deg_s = 120
max_speed_m_s = 1.5
[heading]
read_call = "gyro.read"
read_instant = "end"
tolerance_deg = 5
[effort]
batch = 2
[limits]
period_p99_ms = 30
call."gyro.read".p99_ms = 2.5
[regression]
tolerance_percent = 3
confidence = 0.9
"""


def load(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "looptime.toml"
    path.write_text(text, encoding=encoding)
    return Project.load(path)


def test_every_section_arrives(tmp_path):
    """Each key is found where the reader of the project expects it, numbers as floats."""
    project = load(tmp_path, WHOLE)
    assert project.path == tmp_path / "looptime.toml"
    assert (project.log.layout, project.log.unit) == ("calls", "us")
    assert (project.log.columns, project.log.loop_call) == ("name,time", "loop")
    assert (project.budget_ms, project.serious_ms) == (25.0, 40.5)
    assert (project.threads, project.switch_interval_ms) == ("take turns", 2.0)
    assert [rule.match for rule in project.calls] == ["drive.*.read", "drive.*"]
    assert (project.calls[0].items, project.calls[0].batchable) == (2, True)
    assert project.buses["port"].per_item_ms == 0.2
    assert project.buses["port"].lock == "fair"
    assert (project.robot, project.max_turn_rate_deg_s) == ("tray-carrier", 120.0)
    assert project.max_speed_m_s == 1.5
    assert (project.heading.read_call, project.heading.tolerance_deg) == ("gyro.read", 5.0)
    assert project.effort == {"batch": 2.0}
    assert project.limits == {"period_p99_ms": 30.0, "call": {"gyro.read": {"p99_ms": 2.5}}}
    assert project.regression == {"tolerance_percent": 3.0, "confidence": 0.9}


def test_every_key_is_optional(tmp_path):
    """An empty file says nothing, and so does none at all."""
    empty = load(tmp_path, "")
    assert (empty.budget_ms, empty.calls, empty.limits) == (None, (), {})


def test_a_byte_order_mark_is_no_matter(tmp_path):
    """Editors on some systems begin a text with a mark."""
    assert load(tmp_path, "[loop]\nbudget_ms = 20\n", "utf-8-sig").budget_ms == 20.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[lop]\n", "key 'lop' is not known; the nearest is 'loop'"),
        ("[loop]\nbudget = 20\n", "[loop]: key 'budget' is not known; the nearest is 'budget_ms'"),
        ("[[call]]\nmatch = 'a'\nknd = 'wait'\n", "number 1: key 'knd' is not known"),
        ("[[call]]\nkind = 'wait'\n", "has no match"),
        ("[[call]]\nmatch = 'a'\nkind = 'read'\n", "kind = 'read': use one of sensor read"),
        ("[[call]]\nmatch = 'a'\nitems = 0\n", "items takes a whole number from 1, not 0"),
        ("[[call]]\nmatch = 'a'\nitems = true\n", "items takes a whole number"),
        ("[[call]]\nmatch = 'a'\nbatchable = 'yes'\n", "batchable takes true or false"),
        ("call = [3]\n", "write [[call]] on a line of its own"),
        ("[call]\nmatch = 'a'\n", "written [[call]], with two brackets"),
        ("loop = 20\n", "is not a table: write [loop]"),
        ("[loop]\nbudget_ms = '20'\n", "budget_ms takes a number from 0, not '20'"),
        ("[loop]\nbudget_ms = -1\n", "budget_ms takes a number from 0"),
        ("[loop]\nbudget_ms = nan\n", "budget_ms takes a number from 0"),
        ("[loop]\nbudget_ms = inf\n", "budget_ms takes a number from 0"),
        ("[loop]\nserious_ms = 0\n", "serious_ms = 0: give a number above 0"),
        ("[loop]\nbudget_ms = true\n", "budget_ms takes a number from 0"),
        ("[log]\nunit = 'hours'\n", "unit = 'hours': use one of ns, us, ms, s"),
        ("[log]\nloop_call = 3\n", "loop_call takes text in quotes"),
        ("[bus]\nport = 3\n", "buses are written [bus.NAME]"),
        ("[bus.port]\nlock = 'none'\n", "[bus.port]: lock = 'none': use one of fair"),
        ("[limits]\ncall = 3\n", "limits of a call are written"),
        ("[limits]\ncall.a.p98_ms = 3\n", "key 'p98_ms' is not known"),
        ("[regression]\nconfidence = 95\n", "confidence = 95: use a share such as 0.95"),
        ("effort = 3\n", "[effort] is not a table"),
        ("[loop\n", "is not valid TOML"),
    ],
)
def test_what_is_refused_is_one_line_that_says_where(tmp_path, text, said):
    """The line names the file, the section and what to write instead."""
    with pytest.raises(ProjectError) as caught:
        load(tmp_path, text)
    message = str(caught.value)
    assert message.startswith(str(tmp_path / "looptime.toml"))
    assert said in message
    assert "\n" not in message


def test_files_that_cannot_be_read(tmp_path):
    """None there, a folder, and text in another encoding are told apart from bad TOML."""
    with pytest.raises(ProjectError, match="cannot be read"):
        Project.load(tmp_path / "none.toml")
    with pytest.raises(ProjectError, match="cannot be read"):
        Project.load(tmp_path)
    with pytest.raises(ProjectError, match="is not UTF-8 text"):
        load(tmp_path, '[robot]\nname = "Trägerin"\n', "latin-1")


def test_the_first_rule_that_matches_wins():
    """A later rule adds nothing, even where the first leaves something open."""
    project = Project(
        calls=(CallRule("drive.*.read", bus="port"), CallRule("drive.*", kind="wait", bus="aux"))
    )
    read = project.label(CallName("drive.left.read"))
    assert (read.bus, read.kind, read.kind_from) == ("port", "sensor read", "guessed")
    other = project.label(CallName("drive.update"))
    assert (other.bus, other.kind, other.kind_from) == ("aux", "wait", "project")


def test_what_the_log_says_outranks_the_project():
    """Columns of the log win over rules; rules fill in what the log leaves open."""
    project = Project(calls=(CallRule("*", kind="wait", bus="aux", device="d"),))
    logged = CallName("gyro.read", kind="sensor read", bus="port", kind_from="log")
    label = project.label(logged)
    assert (label.kind, label.bus, label.device) == ("sensor read", "port", "d")


def test_patterns_tell_capitals_apart():
    """A name matches by its letters as they stand, on every system alike."""
    project = Project(calls=(CallRule("Gyro.*", bus="port"),))
    assert project.label(CallName("gyro.read")).bus is None


def test_the_nearest_project_file_upward_is_found(tmp_path):
    """A file in a folder hides one above it; where there is none the answer is None."""
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    assert find_project(inner) in (None, *(p / "looptime.toml" for p in tmp_path.parents))
    upper, lower = tmp_path / "looptime.toml", tmp_path / "a" / "looptime.toml"
    upper.write_text("", encoding="utf-8")
    assert find_project(inner) == upper
    lower.write_text("", encoding="utf-8")
    assert find_project(inner) == lower
    (inner / "looptime.toml").mkdir()
    assert find_project(inner) == lower


@pytest.mark.parametrize(("confidence", "fine"), [(0.5, False), (0.51, True), (1.0, False)])
def test_a_confidence_lies_between_a_half_and_one(tmp_path, confidence, fine):
    """A half would be the toss of a coin, and certainty is not to be had."""
    path = tmp_path / "looptime.toml"
    path.write_text(f"[regression]\nconfidence = {confidence}\n", encoding="utf-8")
    if fine:
        assert Project.load(path).regression == {"confidence": confidence}
        return
    with pytest.raises(ProjectError, match="use a share such as"):
        Project.load(path)
