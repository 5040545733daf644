"""Copies of a recording are told from other recordings, also where rows were cut off."""

from dataclasses import replace

import numpy as np
import pytest

from looptime.checks.compare.compare import compare
from looptime.checks.gate.gate import gate
from looptime.checks.recording.copies import opening, without_copies
from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Season
from looptime.checks.season.trends import listed_trends, season_trends
from looptime.run import LoopColumns, Run
from tests.checks.build import recording


def cut(run, loops, **more):
    return replace(run.select(np.arange(len(run)) < loops), **more)


def test_a_copy_begins_as_its_recording_does_and_no_other_recording_does():
    """Renamed, relabelled, moved in time or cut short; against one more, and a scaled one."""
    run = recording(1, loops=3000)
    at = run.loop_columns
    later = replace(run, loop_columns=replace(at, start_ns=at.start_ns + 10**12), source="b.csv")
    assert {opening(r) for r in (run, later, cut(run, 400))} == {opening(run)}
    assert len({opening(r) for r in (run, recording(2, loops=3000), recording(1, 3000, 1.01))}) == 3


def test_on_a_coarse_clock_the_opening_reaches_as_far_as_it_takes():
    """Ticks of 1 ms: 400 loops of 20 ms in both, then each is late in loops of its own."""
    periods = []
    for seed in (1, 2):
        late = np.random.default_rng(seed).random(5000) < 0.03
        late[:400] = False
        periods.append(np.where(late, 21, 20) * 1_000_000)
    one, two = (Run(LoopColumns(np.arange(5000), np.cumsum(p) - p, p)) for p in periods)
    assert opening(one) != opening(two)
    assert opening(one) == opening(cut(one, 4800))


def test_the_longest_copy_stands_for_all():
    kept, copies = without_copies(["axx", "b", "axxx", "c"], lambda w: (w[0], len(w)))
    assert kept == ["b", "axxx", "c"]
    assert copies == [("axx", "axxx")]


@pytest.mark.parametrize("loops", [3000, 2999, 2300])
def test_copies_on_a_side_are_judged_as_one_run(loops):
    """Three copies a side, 1.5 % apart: the verdict and the figures of one against one."""
    a, b = recording(1, loops=3000), recording(2, loops=3000, scale=1.015)
    sides = [[run, cut(run, loops, source="again.csv"), replace(run, meta={"note": "x"})]
             for run in (a, b)]  # fmt: skip
    found, alone = compare(*sides), compare([a], [b])
    assert found.exit_code == alone.exit_code == 3
    assert found.changes == alone.changes
    assert [len(found.before), len(found.after)] == [1, 1]
    assert [u.what for u in found.unlike].count("copies") == 2
    assert any("again.csv" in s and "count as one run" in s for s in found.sentences)


def test_a_copy_cut_short_on_the_other_side_is_the_same_recording():
    run = recording(1, loops=3000)
    found = compare([run], [cut(run, 2500, source="short.csv")])
    assert found.verdict == "no change seen"


def test_copies_make_no_baseline():
    """Five copies are one run, and a new run is not held against a copy of its own."""
    run, new = recording(1, loops=3000), recording(9, loops=3000)
    found = gate([new], [cut(run, 3000 - k, source=f"{k}.csv") for k in range(5)])
    assert (found.verdict, len(found.baseline)) == ("can't tell", 1)
    assert any("copies of 0.csv" in note for note in found.notes)
    others = [recording(k, loops=3000) for k in range(10, 16)]
    found = gate([new], [*others, cut(new, 2900, source="own.csv")])
    assert len(found.baseline) == 6
    assert any("own.csv of the baseline is a copy" in note for note in found.notes)


def test_a_season_counts_copies_once(tmp_path):
    """Eight runs, one of them three times: trends over eight, from figures and from the list."""
    runs = [recording(k, loops=900, time=f"2026-03-{k + 1:02}") for k in range(8)]
    season = Season(tmp_path / "season", create=True)
    added = add_runs(season, [*runs, cut(runs[3], 700, source="a.csv"), cut(runs[3], 899)])
    assert any("copies of other runs" in note for note in added.notes)
    assert len(season.entries()) == 10
    for [found] in (season_trends(season)[0], listed_trends(season.entries())):
        assert len(found.entries) == 8
        assert {of.facts.source for _, of in found.copies} == {"run-3.csv"}
        assert all(len(t.values) == 8 for t in found.trends)
        assert [row["of"] for row in found.to_dict()["copies"]] == [found.entries[3].name] * 2
