"""Comparisons claim what the recordings carry, and their parts add up."""

import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.checks.compare.change import Change, Tolerance
from looptime.checks.compare.compare import (
    _by_more_than_trend,
    _decided,
    _ranked,
    _verdict,
    compare,
)
from looptime.checks.compare.explain import Explained, Share
from looptime.checks.compare.wording import _mixed, sentences
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Season
from looptime.errors import LogError, UsageError
from tests.build_run import make_run
from tests.checks.build import CALLS, paced, recording
from tests.checks.compare.build import (
    change_named,
    compare_sides,
    even_periods,
    made_sides,
    with_spikes,
)


def test_the_same_recording_twice_has_no_difference_at_all():
    """Every difference is exactly 0 and no change is seen."""
    found = compare_sides([recording(1)], [recording(1)])
    assert found.verdict == "no change seen"
    assert found.exit_code == 0
    for change in (*found.changes, *found.calls):
        assert change.difference.value == 0.0
        assert change.verdict == "no change seen"
    assert found.explained.difference_ms == 0.0
    assert all(s.difference_ms.value == 0.0 for s in found.shift)
    assert [u.what for u in found.unlike] == ["same"]
    assert found.sentences[0].startswith("No change seen, since both sides hold the same recording")


def test_history_stands_in_for_the_assumed_scatter():
    """With six older runs 3 % is told where 1 % of scatter was assumed before."""
    rng = np.random.default_rng(3)
    history = [
        measure(record(recording(200 + k, scale=np.exp(rng.normal(0, 0.003)))).series())
        for k in range(6)
    ]
    found = compare_sides([recording(1)], [recording(2, scale=1.03)], history=history)
    assert found.usual_scatter.rests_on == "history of 6 runs"
    assert found.usual_scatter.limit_percent < 2
    assert (found.verdict, found.history) == ("slower", 6)


def test_one_slower_call_is_named_and_explains_the_change():
    """10 % more in one call: that call and no other is slower, and it explains nearly all."""
    calls = {**CALLS, "drive.motors.write": CALLS["drive.motors.write"] * 1.10}
    found = compare_sides(*made_sides(calls=calls))
    assert {c.call for c in found.calls if c.verdict == "slower"} == {"drive.motors.write"}
    assert found.ranking[0].call == "drive.motors.write"
    first = found.explained.parts[0]
    assert first.name == "drive.motors.write"
    assert first.difference_ms == pytest.approx(0.30, abs=0.03)


def test_a_longer_tail_is_seen_in_the_tail():
    """More stalls move p99, and the row says so."""
    found = compare_sides([recording(1)], [recording(2, stalls=0.03)])
    assert change_named(found, "p99").verdict == "slower"
    assert change_named(found, "overruns").verdict == "slower"
    assert abs(change_named(found, "median").percent.value) < 1
    assert found.recordings == "differ"


def test_paced_loops_are_compared_by_work():
    """A change that fits the pace shows in the work; the period stays."""
    a, b = (paced(recording(s, scale=f), 20.0) for s, f in ((1, 1.0), (2, 1.2)))
    found = compare([a], [b], settings=Settings(budget_ms=25.0))
    assert found.quantity == "work"
    assert change_named(found, "mean").verdict == "slower"
    assert change_named(found, "rate").difference.value == pytest.approx(0, abs=0.01)


def test_a_call_that_moved_to_another_thread_is_said():
    """The gyro read on a thread of its own leaves the loop's sum and is named on both sides."""
    rng = np.random.default_rng(1)
    calls = [("gyro.read", 1, 2.0), ("drive.write", 4, 3.0)]
    moved = [("gyro.read", 1, 2.0, "gyro"), ("drive.write", 4, 3.0)]
    a = make_run(10 + rng.normal(0, 0.1, 600), calls)
    b = make_run(8 + rng.normal(0, 0.1, 600), moved)
    found = compare([a], [b], settings=Settings(keep_warmup=True))
    text = next(u.text for u in found.unlike if u.what == "calls")
    assert "only before: gyro.read" in text
    assert "only after: gyro.read (thread gyro)" in text
    by_name = {p.name: p for p in found.explained.parts}
    assert by_name["gyro.read"].difference_ms == pytest.approx(-2.0, abs=1e-9)


def test_a_pacing_wait_that_is_not_logged_cannot_tell():
    """Headroom unknown: nothing is said of the loop as a whole."""
    fixed = [even_periods(recording(s, loops=3000, calls={}), s) for s in (1, 2)]
    found = compare_sides([fixed[0]], [fixed[1]])
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert "headroom unknown" in found.sentences[0]


def test_what_holds_a_wait_that_is_not_logged_is_no_slower_call():
    """Paced to 20 and to 25 ms, a read of 2 ms in both: what no call covers holds the wait."""
    rng = np.random.default_rng(3)
    sides = [[make_run(ms + rng.normal(0, 0.01, 3000), [("read", 0.0, 2.0)])] for ms in (20, 25)]
    found = compare(*sides, settings=Settings(keep_warmup=True))
    mine = [c for c in found.calls if c.call == "unattributed"]
    assert mine
    assert {c.verdict for c in mine} <= {"can't tell"}
    assert not found.ranking


def test_stored_runs_stand_on_a_side(tmp_path):
    """Figures of a season give the same verdicts as the runs, and distributions within 1 %."""
    season = Season(tmp_path / "season", create=True)
    before, after = made_sides((1.0, 1.03))
    add_runs(season, before, Settings(budget_ms=11.0, label="old"))
    add_runs(season, after, Settings(budget_ms=11.0, label="new"))
    sides = [
        [season.load(e.name).values for e in season.select(f"label={w}")] for w in ("old", "new")
    ]
    stored, live = compare_sides(*sides), compare_sides(before, after)
    assert stored.verdict == live.verdict == "slower"
    assert change_named(stored, "mean").percent.value == pytest.approx(
        change_named(live, "mean").percent.value, abs=0.1
    )
    for s, t in zip(stored.shift, live.shift, strict=True):
        assert s.before_ms == pytest.approx(t.before_ms, rel=0.011)
    single = compare_sides(sides[0][:1], sides[1][:1])
    assert single.recordings == "differ"
    at = stored.explained
    assert sum(p.difference_ms for p in at.parts) == pytest.approx(at.difference_ms, abs=1e-9)


def test_bad_input_is_one_line():
    """An empty side and a log without loops after the warm-up."""
    with pytest.raises(UsageError, match="'after' is empty"):
        compare_sides([recording(1)], [])
    with pytest.raises(LogError, match="after the warm-up"):
        compare_sides([recording(1)], [recording(2, loops=20)])
    with pytest.raises(LogError, match="no loops"):
        compare_sides([recording(1)], [recording(2, loops=0)])


def test_nothing_is_called_unchanged_beside_a_change_that_could_not_be_judged():
    """Of 800 loops a side p99 cannot be judged: its growth is told, and the word is can't tell."""
    found = compare_sides([with_spikes(1, 0.0, 3.0, 800)], [with_spikes(2, 0.015, 3.0, 800)])
    p99 = change_named(found, "p99")
    assert p99.p is None
    assert p99.percent.value > 3
    assert change_named(found, "mean").verdict != "slower"
    assert found.verdict == "can't tell"
    text = " ".join(found.sentences)
    assert "p99 moved by +" in text
    assert "3,000 loops" in text


def test_microseconds_of_a_call_are_no_news():
    """A call that takes 20 us more, a third of it, is below 0.1 ms: no verdict, whatever p says."""
    calls = {**CALLS, "led.write": 0.06}
    found = compare_sides(
        [recording(1, calls=calls)], [recording(2, calls={**calls, "led.write": 0.08})]
    )
    row = change_named(found, "mean", "led.write")
    assert row.p < 1e-6
    assert (row.verdict, row.note) == ("no change seen", "less than the tolerance")


def test_a_call_within_the_scatter_between_runs_gets_no_verdict():
    """3.5 % of 6 ms are above both tolerances and within what two runs may differ by (4 %)."""
    calls = {"drive.write": 6.0, "mast.read": 1.0}
    found = compare_sides(
        [recording(1, calls=calls, spread=0.01)],
        [recording(2, calls={**calls, "drive.write": 6.21}, spread=0.01)],
    )
    row = change_named(found, "mean", "drive.write")
    assert row.p < 1e-6
    assert row.verdict == "can't tell"
    assert "usual scatter between runs" in row.note


def test_mean_and_tail_together_keep_the_level():
    """Independent p-values of no change at all: any verdict in at most 5 % of 4,000 families."""
    rng = np.random.default_rng(11)
    figures = ("mean", "median", "p95", "p99", "worst5", "overruns")
    any_word, mean_word = 0, 0
    for p in rng.random((4000, len(figures))):
        changes = [
            Change("period", s, before=10.0, after=10.1, difference=Figure(0.1), p=float(v))
            for s, v in zip(figures, p, strict=True)
        ]
        told = [c.verdict in ("slower", "faster") for c in _decided(changes, Tolerance())]
        any_word, mean_word = any_word + any(told), mean_word + told[0]
    assert 0.038 < any_word / 4000 < 0.057
    assert 0.028 < mean_word / 4000 < 0.043


def test_json_is_strict():
    """The JSON holds no NaN and the documented parts."""
    found = compare_sides([recording(1, loops=1500)], [recording(2, loops=1500)])
    data = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert {"verdict", "changes", "calls", "explained", "shift", "unlike"} <= set(data)
    assert set(data["changes"][0]["difference"]) == {"value", "low", "high"}


def test_ranked_are_the_calls_with_a_verdict_and_looked_at_those_that_may_have_changed():
    """Of 3 calls one is slower; one is beyond chance in 1 of 20 such lists, and one in none."""
    found = compare_sides([recording(1)], [recording(2)])
    loud = Change("self time", "mean", "a", difference=Figure(1.0), p=0.001, p_bh=0.01)
    loud, open_ = (replace(loud, call=c, verdict=v) for c, v in
                   (("a", "slower"), ("c", "can't tell")))  # fmt: skip
    quiet = Change("self time", "mean", "b", difference=Figure(1.0), p=0.03, p_bh=0.2)
    still = replace(loud, call="d", verdict="no change seen")
    every = [quiet, loud, open_, still]
    assert _ranked(every) == (loud,)
    assert replace(found, calls=tuple(every)).worth_a_look == [open_]


def test_what_carries_a_change_is_named_before_a_tail_that_does_not():
    """0.25 ms of 0.31 in a call that scatters too much to be judged; the p99 of another fell."""
    parts = {"read": (3.0, 3.25), "write": (2.0, 2.05), "send": (0.5, 0.51)}
    explained = explain_means(parts)
    found = compare_sides([recording(1)], [recording(2)])
    mean = replace(found.changes[0], statistic="mean", verdict="slower")
    tail = Change("self time", "p99", "send", percent=Figure(9.0), difference=Figure(0.1),
                  verdict="slower")  # fmt: skip
    made = replace(found, changes=(mean,), calls=(tail,), explained=explained, alike=None)
    told = [s for s in sentences(made, "", Tolerance()) if "send" in s or "read" in s]
    assert told == ["81 % of it is in read (+0.25 ms a loop).", "Slower calls: send (p99 +9 %)."]
    named = replace(tail, call="read", statistic="mean", difference=Figure(0.25))
    made = replace(made, calls=(tail, named))
    told = [s for s in sentences(made, "", Tolerance()) if "send" in s or "read" in s]
    assert told == ["Slower calls: read (+0.25 ms a loop), send (p99 +9 %)."]


def explain_means(parts):
    """The split of a change of the mean, from the self times of its parts before and after."""
    whole = sum(b - a for a, b in parts.values())
    shares = tuple(Share(n, a, b, b - a, (b - a) / whole) for n, (a, b) in parts.items())
    return Explained("period", 5.5, 5.5 + whole, whole, shares)


def test_the_rate_alone_gives_no_verdict():
    """It says again what the mean says: a mean in doubt is not settled by it."""
    changes = [Change("period", "mean", verdict="no change seen"),
               Change("period", "rate", verdict="slower")]  # fmt: skip
    assert _verdict(changes, False, None, Tolerance()) == ("", "no change seen")
    changes.append(Change("period", "p95", verdict="slower"))
    assert _verdict(changes, False, None, Tolerance()) == ("", "slower")


def test_figures_that_moved_both_ways_are_named_in_words():
    """Slower in the tail and faster in the middle: no key of a program stands in the sentence."""
    moved = (("worst5", "slower"), ("p95", "slower"), ("median", "faster"), ("rate", "slower"))
    made = SimpleNamespace(
        changes=[SimpleNamespace(statistic=what, verdict=verdict) for what, verdict in moved]
    )
    assert _mixed(made) == ["Mixed: slower in the worst 5 %, p95; faster in median."]


@pytest.mark.parametrize(
    ("mean", "tail", "whole"),
    [
        ("slower", "faster", "slower"),  # the mean decides where it tells anything
        ("faster", "slower", "faster"),
        ("can't tell", "slower", "slower"),
        ("can't tell", "faster", "faster"),
        ("no change seen", "faster", "faster"),
        ("no change seen", "no change seen", "no change seen"),
        ("can't tell", "no change seen", "can't tell"),
    ],
)
def test_the_verdict_is_the_means_else_the_tails(mean, tail, whole):
    """Of two figures, by which each is."""
    changes = [Change("period", "mean", verdict=mean), Change("period", "p95", verdict=tail)]
    assert _verdict(changes, False, None, Tolerance()) == ("", whole)


@pytest.mark.parametrize(
    ("after", "percent", "separated", "history", "stays"),
    [
        (11.0, 8.0, True, (), True),  # figures and line tell the same
        (9.0, 8.0, True, (), False),  # the figures went down
        (10.01, 8.0, True, (), False),  # they stayed
        (10.01, 8.0, False, (), True),  # taken in turn, no line is drawn
        (10.01, 8.0, True, (1,) * 5, True),  # the scatter is known
    ],
)
def test_a_trend_alone_gives_no_verdict(after, percent, separated, history, stays):
    """10 ms before; what a line through the session says is 8 % more, beyond 3 % and 0.1 ms."""
    change = Change("period", "mean", before=10.0, after=after, percent=Figure(percent),
                    verdict="slower")  # fmt: skip
    at = SimpleNamespace(separated=separated, history=history)
    assert (_by_more_than_trend(change, at, Tolerance()).verdict == "slower") == stays
