"""One recording against one: never a word of the code."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.checks.recording.recording import record
from looptime.stats.twosample import compare_recordings
from tests.checks.build import recording
from tests.checks.compare.build import SETTINGS, change_named, compare_sides, with_spikes


def test_two_recordings_are_judged_by_their_own_errors():
    """The rows are those of the recordings' statistics after the same cut and window."""
    a, b = recording(1), recording(2, scale=1.01)
    found = compare_sides([a], [b])
    window = min(record(run, SETTINGS).left_s(1.0) for run in (a, b))
    xa, xb = (record(run, SETTINGS).series(1.0, window).period_ns / 1e6 for run in (a, b))
    expected = compare_recordings(xa, xb, ["mean", "p95", "p99"], 1e-6)
    for statistic in ("mean", "p95", "p99"):
        row = change_named(found, statistic)
        assert row.difference.value == pytest.approx(expected[statistic].difference, abs=1e-12)
        assert row.p == pytest.approx(expected[statistic].p, abs=1e-12)
    assert "loops above" in change_named(found, "p99").note


def test_one_against_one_never_speaks_of_the_code():
    """3 % between two recordings differ, but lie within the usual scatter: can't tell."""
    found = compare_sides([recording(1)], [recording(2, scale=1.03)])
    assert found.recordings == "differ"
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert found.usual_scatter.rests_on.endswith(
        "2 % run-to-run sd, no times say that it was one day"
    )
    assert found.usual_scatter.limit_percent == pytest.approx(8.2, abs=0.3)
    text = " ".join(found.sentences)
    assert text.startswith("Can't tell of the code: these two recordings differ, mean period +3")
    assert "no more than runs are assumed to scatter. " in text
    assert "One run a side cannot tell a code change from ordinary run-to-run scatter." in text
    assert "Record at least 3 + 3 runs in ABBA order." in text


@pytest.mark.parametrize(("later", "percent", "said"), [
    ("2026-03-01T15:00", 4.0, "1 % run-to-run sd"),
    ("2026-03-02T09:00", 8.2, "2 % run-to-run sd, as days differ"),
])  # fmt: skip
def test_days_that_differ_allow_for_more(later, percent, said):
    """Of one day 1 % is assumed, else what keeps days 3 % apart below one false word in twenty."""
    runs = [recording(k, time=at) for k, at in ((1, "2026-03-01T09:00"), (2, later))]
    scatter = compare_sides(runs[:1], runs[1:]).usual_scatter
    assert scatter.rests_on.endswith(said)
    assert scatter.limit_percent == pytest.approx(percent, abs=0.3)


def test_days_three_percent_apart_are_seldom_taken_for_a_change():
    """Means of days drawn with that scatter, 20,000 pairs, against the limit of two days."""
    limit = compare_sides([recording(1)], [recording(2)]).usual_scatter.limit_percent
    level = np.random.default_rng(1).normal(0, 0.03, (2, 20_000))
    assert np.mean(np.abs(np.expm1(level[1] - level[0])) > limit / 100) < 0.065


def test_one_against_one_beyond_the_usual_scatter():
    """20 % is more than any usual scatter."""
    found = compare_sides([recording(1)], [recording(2, scale=1.2)])
    assert found.usual_scatter.beyond
    assert found.verdict == "slower"
    assert compare_sides([recording(2, scale=1.2)], [recording(1)]).verdict == "faster"


def test_a_coarse_clock_hides_nothing_from_the_verdict():
    """Periods in whole ms: 2 % more is seen in the median though the median itself stays."""
    runs = [_coarse(recording(s, loops=6000, spread=0.2, scale=f)) for s, f in ((1, 1), (2, 1.02))]
    found = compare_sides([runs[0]], [runs[1]])
    median = change_named(found, "median")
    assert median.difference.value in (0.0, 1.0)
    assert median.verdict == "slower"
    assert any(u.what == "tick" for u in found.unlike)


def _coarse(run):

    from looptime.run import CallColumns, Clock, LoopColumns

    edges = run.loop_columns.start_ns // 1_000_000 * 1_000_000
    columns = LoopColumns(np.arange(len(run) - 1), edges[:-1], np.diff(edges))
    return replace(
        run, loop_columns=columns, call_columns=CallColumns.empty(), clock=Clock(tick_ns=1_000_000)
    )


def test_short_runs_are_refused_not_guessed():
    """p99 of fewer than 1,000 loops is not judged, and says what it needs."""
    found = compare_sides([recording(1, loops=900)], [recording(2, loops=900)])
    row = change_named(found, "p99")
    assert (row.verdict, row.p) == ("can't tell", None)
    assert "3,000 loops" in row.note


def test_a_tail_that_grew_by_a_fifth_is_not_called_no_change():
    """2,700 loops a side, 2 % of them 3 ms longer after: the tail is judged, by counting."""
    found = compare_sides([with_spikes(1, 0.0, 3.0)], [with_spikes(2, 0.02, 3.0)])
    row = change_named(found, "p99")
    assert row.verdict == "slower"
    assert row.percent.value > 20
    assert found.recordings == "differ"
    assert found.sentences[0].startswith("Can't tell of the code: these two recordings differ, ")
    assert "; p99 +" in found.sentences[0]
