"""The first sentence about a season, on seasons whose story was planted."""

from dataclasses import replace

import pytest

from looptime.analysers.estimate import Figure
from looptime.checks.season.trends import season_trends
from looptime.views.text.season_text import render_season, render_trends
from tests.checks.build import CALLS, recording
from tests.views.text.build import first_words, made_runs, made_season, text_of


def test_the_version_the_call_and_the_odd_run_are_named_first(tmp_path):
    """0.4 ms planted in one call from version 1.5 on, and a run 15 % off before it."""
    season = made_season(tmp_path, made_runs(16, odd=4, dearer_from=8))
    answer = first_words(render_trends(*season_trends(season)))
    assert answer.startswith("With version 1.5 the loop's period became 0.4")
    assert " ms longer (+" in answer
    assert "), in gyro.read; run_05.csv (mean +1" in answer
    assert answer.endswith(" %, in drive.motors.write and drive.encoders.read) is the odd one.")
    listed = first_words(render_season(season.entries()))
    assert listed.startswith("16 runs of tray-carrier: with version 1.5 the loop's period became")
    assert "run_05.csv (mean +1" in listed
    assert "gyro.read" not in listed  # a list knows nothing of calls


def test_a_change_between_logs_without_a_time_is_said_to_be_in_the_order_of_names(tmp_path):
    """Three logs after a remedy sort before the three that it mended: no later run got slower."""
    runs = [
        recording(800 + k, loops=900, source=f"{side}_{k}.csv", time=time, stalls=0.0,
                  calls=CALLS | {"drive.motors.write": ms})
        for time in ("",)
        for side, ms in (("after", 2.0), ("before", 4.0))
        for k in range(3)
    ]  # fmt: skip
    season = made_season(tmp_path, runs)
    found, spread = season_trends(season)
    for told in (render_trends(found, spread), render_season(season.entries())):
        answer = first_words(told)
        assert "before_0.csv on the loop's period became" in answer
        assert "in the order of the logs' names, as not all have a time" in answer
    lines = text_of(render_trends(found, spread))
    assert "with no version named" in lines or "within version" in lines
    assert "worst1" not in lines


def test_no_change_is_said_with_what_may_hide(tmp_path):
    """Runs that differ by scatter alone: the range of the change holds none."""
    answer = first_words(render_trends(*season_trends(made_season(tmp_path, made_runs(14)))))
    assert answer.startswith("No change seen over 14 runs: from first to last the mean moved by -")
    assert "to +" in answer
    assert "odd" not in answer
    assert "that lasts 3 runs would have been seen" in answer


def test_new_runs_that_are_too_few_for_a_level_are_named(tmp_path):
    """Two runs of a new version, 4 % slower: no step is found, and it is said that none can be."""
    runs = [
        recording(500 + k, loops=900, time=f"2026-03-01T10:{k:02}", stalls=0.0,
                  scale=1.04 if k > 5 else 1 + 0.01 * (k % 2), code_version="2" if k > 5 else "1")
        for k in range(8)
    ]  # fmt: skip
    answer = first_words(render_trends(*season_trends(made_season(tmp_path, runs))))
    assert "No change seen over 8 runs" in answer
    assert "not one of the 2 runs of version 2 alone: looptime gate LOG judges these" in answer


def test_a_creeping_change_is_said_as_one(tmp_path):
    """0.5 % a run over 12 runs is 5.6 % in all, within the interval that is told."""
    season = made_season(tmp_path, made_runs(12, creep=0.005))
    answer = first_words(render_trends(*season_trends(season)))
    assert answer.startswith("The loop's period crept by +0.")
    low, high = (float(w) for w in answer.split("(")[1].split(" % in all")[0].split(" to "))
    assert low < 100 * (1.005**11 - 1) < high


@pytest.mark.parametrize("n", [1, 5])
def test_few_runs_tell_nothing(tmp_path, n):
    """Below six runs the answer is that nothing can be told, and how many are needed."""
    season = made_season(tmp_path, made_runs(n))
    for told in (render_trends(*season_trends(season)), render_season(season.entries())):
        assert "can't tell whether the loop changed" in first_words(told).replace("Can't", "can't")
        assert "of 6 that a trend needs" in first_words(told)


def test_what_moved_stands_before_what_did_not(tmp_path):
    """Of two robots the one with news comes first, whatever its name or its place."""
    season = made_season(
        tmp_path, [*made_runs(12, "anvil", seed=4), *made_runs(12, "zebra", dearer_from=6)]
    )
    answer = first_words(render_trends(*season_trends(season)))
    assert answer.index("Zebra: with version 1.5") < answer.index("anvil: no change seen")


def test_the_call_that_crept_is_named_and_no_run_of_a_ramp_is_odd(tmp_path):
    """The arm's write grows by 0.1 ms a run from 3 ms in a loop of 8: 1.2 % of it a run."""
    runs = [
        recording(700 + k, loops=900, source=f"run_{k + 1:02}.csv", time=f"2026-03-{k + 1:02}",
                  calls=CALLS | {"drive.motors.write": 3.0 + 0.1 * k}, stalls=0.0)
        for k in range(12)
    ]  # fmt: skip
    (found,), spread = season_trends(made_season(tmp_path, runs))
    assert not any(t.steps for t in found.trends)
    answer = first_words(render_trends([found], spread))
    assert answer.endswith("in drive.motors.write.")
    assert "odd" not in answer


def test_a_tail_that_crept_alone_is_told_above_the_table_that_says_so(tmp_path):
    """The worst 1 % climbed by 2 % a run and nothing else did, by 0.01 % in a second season."""
    season = made_season(tmp_path, made_runs(10, odd=None))
    [found], _ = season_trends(season)
    for slope, says in ((2.0, True), (0.01, False)):
        trends = tuple(
            replace(t, steps=(), p_holm=0.01 if t.statistic == "worst1" else 0.9,
                    per_run_percent=Figure(slope, 0.8 * slope, 1.2 * slope))
            for t in found.trends
        )  # fmt: skip
        told = render_trends([replace(found, trends=trends)])
        answer = first_words(told)
        assert ("; but the worst 1 % crept by +2.0 % a run (+15 to +24 % in all)" in answer) == says
        assert answer.startswith("No change of the mean seen" if says else "No change seen")
        assert ("is not told above the table" in text_of(told)) != says
