"""The first sentence about a season, on seasons whose story was planted."""

from __future__ import annotations

import numpy as np
import pytest

from looptime.checks.season.adding import Added, add_runs
from looptime.checks.season.season import Season
from looptime.checks.season.trends import season_trends
from looptime.views.text.season_answers import robots_clause
from looptime.views.text.season_text import render_added, render_season, render_trends
from tests.checks.build import CALLS, paced, recording
from tests.views.text.test_summary_text import text_of

#: One call a third dearer: 0.4 ms of the 8 ms of a loop.
DEARER = {**CALLS, "gyro.read": CALLS["gyro.read"] + 0.4}


def _runs(n, robot="tray-carrier", odd=None, dearer_from=99, creep=0.0, seed=3):
    noise = np.exp(np.random.default_rng(seed).normal(0, 0.003, n))
    return [
        recording(
            100 * seed + k, loops=900, robot=robot, source=f"run_{k + 1:02}.csv",
            scale=noise[k] * (1 + creep) ** k * (1.15 if k == odd else 1.0),
            calls=DEARER if k >= dearer_from else None,
            code_version="1.5" if k >= dearer_from else "1.4", time=f"2026-03-{k + 1:02}",
        )
        for k in range(n)
    ]  # fmt: skip


def _season(tmp_path, runs):
    season = Season(tmp_path / "season", create=True)
    add_runs(season, runs)
    return season


def _first(told):
    return told.answer


def test_the_version_the_call_and_the_odd_run_are_named_first(tmp_path):
    """0.4 ms planted in one call from version 1.5 on, and a run 15 % off before it."""
    season = _season(tmp_path, _runs(16, odd=4, dearer_from=8))
    answer = _first(render_trends(*season_trends(season)))
    assert answer.startswith("With version 1.5 the loop's period became 0.4")
    assert " ms slower (+" in answer
    assert "), in gyro.read; run_05.csv (+1" in answer
    assert answer.endswith(" %) is the odd one.")
    listed = _first(render_season(season.entries()))
    assert listed.startswith("16 runs of tray-carrier: with version 1.5 the loop's period became")
    assert "run_05.csv (+1" in listed
    assert "gyro.read" not in listed  # a list knows nothing of calls


def test_no_change_is_said_with_what_may_hide(tmp_path):
    """Runs that differ by scatter alone: the range of the change holds none."""
    answer = _first(render_trends(*season_trends(_season(tmp_path, _runs(14)))))
    assert answer.startswith("No change seen over 14 runs: from first to last the mean moved by -")
    assert "to +" in answer
    assert "odd" not in answer


def test_a_creeping_change_is_said_as_one(tmp_path):
    """0.5 % a run over 12 runs is 5.6 % in all, within the interval that is told."""
    season = _season(tmp_path, _runs(12, creep=0.005))
    answer = _first(render_trends(*season_trends(season)))
    assert answer.startswith("The loop's period crept by +0.")
    low, high = (float(w) for w in answer.split("(")[1].split(" % in all")[0].split(" to "))
    assert low < 100 * (1.005**11 - 1) < high


@pytest.mark.parametrize("n", [1, 5])
def test_few_runs_tell_nothing(tmp_path, n):
    """Below six runs the answer is that nothing can be told, and how many are needed."""
    season = _season(tmp_path, _runs(n))
    for told in (render_trends(*season_trends(season)), render_season(season.entries())):
        assert "can't tell whether the loop changed" in _first(told).replace("Can't", "can't")
        assert "of 6 that a trend needs" in _first(told)


def test_what_moved_stands_before_what_did_not(tmp_path):
    """Of two robots the one with news comes first, whatever its name or its place."""
    season = _season(tmp_path, [*_runs(12, "anvil", seed=4), *_runs(12, "zebra", dearer_from=6)])
    answer = _first(render_trends(*season_trends(season)))
    assert answer.index("Zebra: with version 1.5") < answer.index("anvil: no change seen")


def test_a_list_says_work_or_period_where_both_occur(tmp_path):
    """A paced run is judged by its work, a free one by its period: a column says which is which."""
    runs = [recording(1, loops=900), paced(recording(2, loops=900), 20.0)]
    text = text_of(render_season(_season(tmp_path, runs).entries()))
    [head] = [line for line in text.splitlines() if "mean ms" in line]
    rows = [line.split() for line in text.splitlines() if "period  " in line or "work  " in line]
    assert " of " in head
    assert sorted({"period", "work"} & set(row) for row in rows) == [{"period"}, {"work"}]
    assert "hold only like against like" in " ".join(text.split())
    same = text_of(render_season(_season(tmp_path / "other", runs[:1]).entries()))
    assert "mean and p99 are of the period of a loop" in same
    assert " of  " not in same.splitlines()[2]


def test_a_long_list_shows_its_newest_runs_and_all_of_them_in_full(tmp_path):
    """Of 30 runs the newest 24 stand on the screen; each stands once in full."""
    season = _season(tmp_path, _runs(30))
    entries, told = season.entries(), render_season(season.entries())
    screen, whole = text_of(told), text_of(told.parts(full=True))
    assert [e.name[:8] in screen for e in entries] == [False] * 6 + [True] * 24
    assert all(whole.count(f"{e.name[:8]} ") == 1 for e in entries)
    assert text_of(told.parts(quiet=True), 300).count("\n") == 1


def test_adding_says_that_robots_are_mixed(tmp_path):
    """Two of one robot, one of another and one that names none; one robot alone says nothing."""
    season = Season(tmp_path / "season", create=True)
    runs = [*_runs(2), *_runs(1, "spare", seed=5), recording(9, loops=900)]
    added = add_runs(season, runs)
    assert added.robots == {"tray-carrier": 2, "spare": 1, "": 1}
    assert "2 of tray-carrier, 1 of spare, 1 that names no robot" in _first(render_added(added))
    assert not robots_clause({"": 3})
    assert _first(render_added(Added(["a"], [], {}, [], {"spare": 1}))).endswith("there already")


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
