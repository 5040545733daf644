"""What the project file states of logs without a header, held against the values of one."""

import numpy as np
import pytest

import looptime
from looptime.errors import LogError, ProjectError, UsageError
from looptime.project import Project
from looptime.questions.asked import Asked
from looptime.questions.stating import columns, state_columns

ROLES = '["clock us", "period us"]'


def arm(path, seed=1):
    """An instant and how long the loop took, both in us."""
    took = np.random.default_rng(seed).normal(9000, 400, 300).astype(int)
    at = np.concatenate([[0], np.cumsum(took)[:-1]])
    path.write_text("".join(f"{t} {d}\n" for t, d in zip(at, took, strict=True)))
    return path


def lift(path, step=20_000, took=4200):
    """A loop on a timetable, and one length in it."""
    long = np.random.default_rng(2).normal(took, 90, 300).astype(int)
    path.write_text("".join(f"{step * k} {d}\n" for k, d in enumerate(long)))
    return path


def stated(tmp_path, more="", roles=ROLES, count=2):
    """A project file that states so many columns."""
    path = tmp_path / "looptime.toml"
    path.write_text(f'[[columns]]\nheader = "{count} columns"\n{more}roles = {roles}\n')
    return Project.load(path)


def test_written_for_the_names_of_its_logs(tmp_path, monkeypatch):
    """The next log of that name is read by it, another one as if nothing were stated."""
    monkeypatch.chdir(tmp_path)
    state_columns(Asked(Project()), columns(Asked(Project()), str(arm(tmp_path / "arm_1.txt"))))
    project = Project.load(tmp_path / "looptime.toml")
    assert project.columns[0].files == "arm_*.txt"
    like = looptime.read(arm(tmp_path / "arm_27.txt", 4), project=project)
    assert any("states of '2 columns'" in limit for limit in like.clock.limits)
    other = looptime.read(lift(tmp_path / "lift.txt"), project=project)
    assert not any("states of" in limit for limit in other.clock.limits)
    assert set(other.loop_columns.period_ns) == {20_000_000}
    with pytest.raises(UsageError, match="already"):
        state_columns(Asked(project), columns(Asked(project), str(tmp_path / "arm_1.txt")))


@pytest.mark.parametrize(
    ("roles", "log", "why"),
    [
        (ROLES, (20_000, 4200), r"column 2, its period, is 4\.\d+ ms as a rule where .* by 20;"),
        (
            '["loop number", "period us"]',
            (20_000, 4200),
            "column 1, its number of the loop, goes on by 20000;",
        ),
        ('["clock us", "part us"]', (2, 1), "column 1, its clock, steps by 2 us, as no loop does;"),
        (
            '["clock us", "part ms"]',
            (20_000, 4200),
            r"column 2, a part, is 4\d\d\d ms as a rule where the clock steps by 20;",
        ),
        ('["period us", "clock us"]', (20_000, 4200), "do"),
    ],
)
def test_refused_where_it_cannot_be(tmp_path, roles, log, why):
    """A table for any log with two columns, and values that cannot be that."""
    with pytest.raises(LogError, match=why) as told:
        looptime.read(lift(tmp_path / "lift.txt", *log), project=stated(tmp_path, roles=roles))
    assert "--columns" in str(told.value)
    assert "files =" in str(told.value)


@pytest.mark.parametrize(("rows", "why"), [(9, "say which with --unit"), (12, "as no loop does")])
def test_few_rows_tell_nothing(tmp_path, rows, why):
    """Below ten the table is believed; another check of the clock asks."""
    path = tmp_path / "tray.txt"
    path.write_text("".join(f"{2 * k} 1\n" for k in range(rows)))
    with pytest.raises(LogError, match=why):
        looptime.read(path, project=stated(tmp_path, roles='["clock us", "part us"]'))


@pytest.mark.parametrize(
    ("every", "period", "fits"),
    [(1, 20_000, True), (2, 10_000, True), (1, 10_000, False), (2, 20_000, False), (1, 0, False)],
)
def test_numbers_of_the_loops_tell_how_many_a_row_stands_for(tmp_path, every, period, fits):
    """A row each loop takes one period, and one of every second loop two."""
    path = tmp_path / "tray.txt"
    path.write_text("".join(f"{every * k} {20_000 * k} {period}\n" for k in range(300)))
    project = stated(tmp_path, roles='["loop number", "clock us", "period us"]', count=3)
    if fits:
        assert len(looptime.read(path, project=project)) >= 298
        return
    with pytest.raises(LogError, match=r"column 3, its period, is \d+ ms as a rule"):
        looptime.read(path, project=project)


def test_of_every_fifth_loop_the_period_is_a_fifth(tmp_path):
    """Such rows fit: steps are a whole number of periods."""
    project = stated(tmp_path)
    run = looptime.read(lift(tmp_path / "lift.txt", 20_000, 4000), project=project)
    assert len(run) >= 298


K = np.arange(300)
PERIOD = 20.0 + np.random.default_rng(8).normal(0, 0.3, 300)
AT = np.cumsum(PERIOD)
TURN = np.where(K % 2, 9.8, 31.0)


@pytest.mark.parametrize(
    ("roles", "columns", "mean_ms"),
    [
        ('["clock us", "part us"]', [(AT * 2000).astype(int) % 2**16, 4000 + K % 90], 40.0),
        ('["clock s", "period ms"]', [(AT / 1000).astype(int), PERIOD.round(2)], 20.0),
        ('["clock s", "period ms"]', [(AT / 100).astype(int) / 10, PERIOD.round(2)], 20.0),
        ('["clock ms", "period ms"]', [(AT // 16 * 16).astype(int), PERIOD.round(2)], 20.0),
        ('["clock ms", "period ms"]', [np.cumsum(TURN).round(1), TURN], 20.4),
    ],
)
def test_odd_clocks_are_not_refused(tmp_path, roles, columns, mean_ms):
    """A timer of 16 bits, coarse clocks beside periods, and periods that take turns."""
    path = tmp_path / "tray.txt"
    path.write_text("".join(f"{a} {b}\n" for a, b in zip(*columns, strict=True)))
    run = looptime.read(path, project=stated(tmp_path, roles=roles))
    assert np.mean(run.loop_columns.period_ns) / 1e6 == pytest.approx(mean_ms, rel=0.02)


def test_one_row_of_many_loops_is_not_refused(tmp_path):
    """Numbers go on by 200, and the clock by as many periods."""
    path = tmp_path / "tray.txt"
    path.write_text("".join(f"{200 * k} {200.1 * k:.1f} {1000 + k % 3}\n" for k in range(300)))
    project = stated(tmp_path, roles='["loop number", "clock ms", "period us"]', count=3)
    assert len(looptime.read(path, project=project)) >= 298


def test_rows_from_the_newest_on_are_told_as_such(tmp_path):
    """The table is right: the rows stand upside down."""
    path = tmp_path / "tray.txt"
    path.write_text("".join(f"{at:.2f} {4 + at % 3:.2f}\n" for at in AT[::-1]))
    with pytest.raises(LogError, match="put the oldest row first"):
        looptime.read(path, project=stated(tmp_path, roles='["clock ms", "part ms"]'))


def test_names_of_files_are_words(tmp_path):
    """A number is none."""
    with pytest.raises(ProjectError, match="files"):
        stated(tmp_path, "files = 3\n")


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("run.jsonl", '{{"t": {0:.6f}, "n": {3}, "took_us": {{"gyro": {1}, "arm": {2}}}}}'),
        ("console.txt", "{0:.6f} loop={3} gyro_us={1} arm_us={2}"),
    ],
)
def test_lines_that_name_their_values_are_stated_as_they_are_read(
    tmp_path, monkeypatch, name, line
):
    """A row is a loop there, too: what is written reads the log as before."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(5)
    gyro, grip = rng.integers(1500, 1900, 200), rng.integers(2500, 2900, 200)
    at = np.cumsum(gyro + grip + 300) / 1e6
    rows = zip(at, gyro, grip, range(200), strict=True)
    (tmp_path / name).write_text("".join(line.format(*row) + "\n" for row in rows))
    before = looptime.read(tmp_path / name)
    state_columns(Asked(Project()), columns(Asked(Project()), str(tmp_path / name)))
    after = looptime.read(tmp_path / name, project=Project.load(tmp_path / "looptime.toml"))
    assert after.loops.equals(before.loops)
    assert after.calls.equals(before.calls)
    assert [call.name for call in after.names] == [call.name for call in before.names]
