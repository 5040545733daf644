"""What a team states of its columns: checked, matched by the header, taken as it stands."""

import pytest

import looptime
from looptime.errors import ProjectError, UsageError
from looptime.project import Project
from looptime.stated_columns import StatedColumns, matching, state_columns

ROWS = "".join(f"{k * 20},{3 + k % 2},{k % 5},{7 + k % 3}\n" for k in range(30))


def project(tmp_path, text):
    """A project file with one table of columns."""
    path = tmp_path / "looptime.toml"
    path.write_text(text, encoding="utf-8")
    return Project.load(path)


def test_roles_decide_over_headers_and_values(tmp_path):
    """What is stated is taken: a bare word for a part, a unit in the header for nothing."""
    log = tmp_path / "log.csv"
    log.write_text("t,lift,stir_ms,level\n" + ROWS)
    assert looptime.read(log, unit="ms").layout == "costs"
    stated = project(
        tmp_path,
        '[[columns]]\nheader = "t,lift,stir_ms,level"\nstamped = "end"\n'
        'roles = ["clock ms", "part ms", "skip", "signal"]\n',
    )
    run = looptime.read(log, project=stated)
    assert [name.name for name in run.names] == ["lift"]
    assert run.call_columns.duration_ns[:3].tolist() == [4_000_000, 3_000_000, 4_000_000]
    assert list(run.signals.values) == ["level"]
    assert run.loop_from.endswith("stamped at its end")


def test_only_logs_with_the_header_are_read_so(tmp_path):
    """Another header, or a log without one, is left alone."""
    one = StatedColumns("t,gyro", ("clock", "part ms"))
    assert matching([one], ("t", "gyro"), 2) is one
    assert matching([one], ("t", "drive"), 2) is None
    assert matching([one], None, 2) is None


def test_a_log_without_a_header_is_matched_by_its_shape(tmp_path):
    """Of a log without a header the number of columns is stated."""
    log = tmp_path / "log.csv"
    log.write_text(ROWS)
    stated = project(
        tmp_path,
        '[[columns]]\nheader = "4 columns"\nroles = ["clock ms", "part ms", "part ms", "signal"]\n',
    )
    run = looptime.read(log, project=stated)
    assert [name.name for name in run.names] == ["column_2", "column_3"]


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"roles": ["clock"]}, "has no header"),
        ({"header": "t"}, "has no roles"),
        ({"header": "t,gyro", "roles": ["clock"]}, "names 2 columns but 1 roles"),
        ({"header": "t", "roles": ["watch ms"]}, "role 'watch ms' is not known"),
        ({"header": "t", "roles": ["clock"], "stamped": "late"}, "use start or end"),
        ({"header": "t", "roles": ["clock"], "by": "x"}, "key 'by' is not known"),
    ],
)
def test_what_is_stated_wrongly(tmp_path, entry, message):
    """Each mistake is named, with what may stand there."""
    with pytest.raises(UsageError, match=message):
        state_columns(entry)


def test_the_file_and_the_table_are_named(tmp_path):
    """An error in the project file says where it stands."""
    with pytest.raises(
        ProjectError, match=r"looptime.toml: \[\[columns\]\] number 1: has no roles"
    ):
        project(tmp_path, '[[columns]]\nheader = "t"\n')
    with pytest.raises(ProjectError, match="with two brackets"):
        project(tmp_path, '[columns]\nheader = "t"\n')
