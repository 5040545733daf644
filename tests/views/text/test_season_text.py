"""Lists, entries and additions of a season, as text."""

from dataclasses import replace

from looptime.checks.season.adding import Added, add_runs
from looptime.checks.season.merge import merged
from looptime.checks.season.season import Season
from looptime.checks.season.trends import season_trends
from looptime.views.text.season_answers import robots_clause
from looptime.views.text.season_text import (
    render_added,
    render_entry,
    render_season,
    render_totals,
    render_trends,
)
from tests.checks.build import CALLS, paced, recording
from tests.views.build import NASTY
from tests.views.text.build import first_words, made_runs, made_season, text_of


def test_a_list_says_work_or_period_where_both_occur(tmp_path):
    """A paced run is judged by its work, a free one by its period: a column says which is which."""
    runs = [recording(1, loops=900), paced(recording(2, loops=900), 20.0)]
    text = text_of(render_season(made_season(tmp_path, runs).entries()))
    [head] = [line for line in text.splitlines() if "mean ms" in line]
    rows = [line.split() for line in text.splitlines() if "period  " in line or "work  " in line]
    assert " of " in head
    assert sorted({"period", "work"} & set(row) for row in rows) == [{"period"}, {"work"}]
    assert "hold only like against like" in " ".join(text.split())
    same = text_of(render_season(made_season(tmp_path / "other", runs[:1]).entries()))
    assert "mean and p99 are of the period of a loop" in same
    assert " of  " not in same.splitlines()[2]


def test_runs_of_no_time_are_told_apart_by_their_logs(tmp_path):
    """A list of hashes says nothing; the command offered names the season's folder."""
    runs = [replace(recording(k, loops=900), source=f"logs/run {k}.csv", meta={}) for k in (1, 2)]
    told = render_season(made_season(tmp_path, runs).entries(), None, "other season")
    text = text_of(told)
    assert "time or log" in text
    assert [f"run {k}.csv" in text for k in (1, 2)] == [True, True]
    assert 'looptime season trends --season "other season"' in text


def test_a_list_names_the_logs_by_which_an_entry_may_be_asked_for(tmp_path):
    """By their names, with their folders where one name is that of several."""
    listed = text_of(render_season(made_season(tmp_path, made_runs(3)).entries()))
    assert " run_02.csv " in listed
    runs = [replace(run, source=f"{k}/run.csv") for k, run in enumerate(made_runs(3))]
    assert " 1/run.csv " in text_of(render_season(made_season(tmp_path / "b", runs).entries()))


def test_a_long_list_shows_its_newest_runs_and_all_of_them_in_full(tmp_path):
    """Of 30 runs the newest 24 stand on the screen; each stands once in full."""
    season = made_season(tmp_path, made_runs(30))
    entries, told = season.entries(), render_season(season.entries())
    screen, whole = text_of(told), text_of(told.parts(full=True))
    assert [e.name[:8] in screen for e in entries] == [False] * 6 + [True] * 24
    assert all(whole.count(f"{e.name[:8]} ") == 1 for e in entries)
    assert text_of(told.parts(quiet=True), 300).count("\n") == 1


def test_adding_says_that_robots_are_mixed(tmp_path):
    """Two of one robot, one of another and one that names none; one robot alone says nothing."""
    season = Season(tmp_path / "season", create=True)
    runs = [*made_runs(2), *made_runs(1, "spare", seed=5), recording(9, loops=900)]
    added = add_runs(season, runs)
    assert added.robots == {"tray-carrier": 2, "spare": 1, "": 1}
    assert "2 of tray-carrier, 1 of spare, 1 of robots not named" in first_words(
        render_added(added)
    )
    assert not robots_clause({"": 3})
    assert first_words(render_added(Added(["a"], [], {}, [], {"spare": 1}))).endswith(
        "there already"
    )


def test_adding_says_where_runs_time_unlike_calls(tmp_path):
    """Logs that name no robot and share no call are told; those that share most are not."""
    season = Season(tmp_path / "season", create=True)
    other = {"arm.read": 2.0, "belt.write": 1.0}
    alike = {**CALLS, "camera.read": 0.5}
    added = add_runs(season, [
        recording(1, loops=900), recording(2, loops=900, calls=alike),
        recording(3, loops=900, calls=other),
    ])  # fmt: skip
    assert "do not time the same calls (2 as run-" in added.notes[0]
    assert "1 as run-3.csv" in added.notes[0]
    assert not add_runs(Season(tmp_path / "two", create=True), [
        recording(1, loops=900), recording(2, loops=900, calls=alike),
    ]).notes  # fmt: skip


def test_a_season_as_text(tmp_path):
    """Lists fit 80 columns; entries and trends name what they hold; text from logs is safe."""
    season = Season(tmp_path / "season", create=True)
    runs = [
        recording(k, loops=900, robot=f"tray-carrier{NASTY}", label="evening", code_version="1.3",
                  time=f"2026-03-{k + 1:02}T10:15")
        for k in range(7)
    ]  # fmt: skip
    added = add_runs(season, [*runs, recording(50, loops=900, robot="spare"), runs[0]])
    assert "8 runs added, 1 was there already" in text_of(render_added(added))
    entries = season.entries()
    listed = text_of(render_season(entries, {"a": "part=ab/x.parquet: is damaged"}))
    assert max(len(line.rstrip()) for line in listed.splitlines()) <= 80
    assert all(e.name[:8] in listed for e in entries)
    assert "is damaged" in listed
    shown = text_of(render_entry(season.load(entries[-1].name)))
    assert "drive.motors.write" in shown
    whole = text_of(render_totals(merged(season.load(e.name).values for e in entries)))
    assert "8 runs" in whole
    assert "drive.motors.write" in whole
    trend = text_of(render_trends(*season_trends(season)))
    assert "Between robots" in trend
    assert "warm-up: the first 1 s of the run are left out" in " ".join(shown.split())
    assert "warm-up: the first 1 s of each run are left out" in " ".join(trend.split())
    for text in (listed, shown, trend):
        assert "\x1b" not in text


def test_a_change_of_level_has_its_own_p(tmp_path):
    """Four dearer runs after eight: the step's p stands beside it, the slope's in the table."""
    found = season_trends(made_season(tmp_path, made_runs(12, dearer_from=8)))
    (step,) = next(t for t in found[0][0].trends if t.statistic == "mean" and not t.call).steps
    assert step.p < 0.001
    text = " ".join(text_of(render_trends(*found)).split())
    assert "between version 1.4 and 1.5, from entry" in text
    assert f"to {step.after_entry[:8]} (p <0.001)" in text
    assert "p of slope" in text
    assert "with p < 0.05 moved" not in text
