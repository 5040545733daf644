"""Comparisons claim what the recordings carry, and their parts add up."""

import json
from dataclasses import replace

import numpy as np
import pytest

from looptime.analysers.estimate import Figure
from looptime.checks.compare.change import Change, Tolerance
from looptime.checks.compare.compare import _decided, _ranked, _verdict, compare
from looptime.checks.compare.sides import equalise
from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, record
from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Season
from looptime.errors import LogError, UsageError
from looptime.stats.between_runs import compare_runs
from looptime.stats.twosample import compare_recordings
from tests.build_run import make_run
from tests.checks.build import CALLS, paced, recording

SETTINGS = Settings(budget_ms=11.0)


def _compare(a, b, **more):
    return compare(a, b, settings=SETTINGS, **more)


def _change(found, statistic, call=""):
    rows = found.calls if call else found.changes
    return next(c for c in rows if c.statistic == statistic and c.call == call)


def _sides(scales=(1.0, 1.0), runs=3, sd=0.003, order="ABBA", seed=1, **after):
    """Several runs a side with scatter between runs, in a given order of recording."""
    rng = np.random.default_rng(seed)
    letters = (order * 10)[: 2 * runs] if order == "ABBA" else order
    sides = ([], [])
    for k, letter in enumerate(letters):
        side = "AB".index(letter)
        more = after if side else {}
        scale = scales[side] * np.exp(rng.normal(0, sd))
        sides[side].append(
            recording(1000 * seed + k, loops=2600, scale=scale, time=f"2026-03-01T10:{k:02}",
                      **more)
        )  # fmt: skip
    return sides


def test_the_same_recording_twice_has_no_difference_at_all():
    """Every difference is exactly 0 and no change is seen."""
    found = _compare([recording(1)], [recording(1)])
    assert found.verdict == "no change seen"
    assert found.exit_code == 0
    for change in (*found.changes, *found.calls):
        assert change.difference.value == 0.0
        assert change.verdict == "no change seen"
    assert found.explained.difference_ms == 0.0
    assert all(s.difference_ms.value == 0.0 for s in found.shift)
    assert [u.what for u in found.unlike] == ["same"]


def test_two_recordings_are_judged_by_their_own_errors():
    """The rows are those of the recordings' statistics after the same cut and window."""
    a, b = recording(1), recording(2, scale=1.01)
    found = _compare([a], [b])
    window = min(record(run, SETTINGS).left_s(1.0) for run in (a, b))
    xa, xb = (record(run, SETTINGS).series(1.0, window).period_ns / 1e6 for run in (a, b))
    expected = compare_recordings(xa, xb, ["mean", "p95", "p99"], 1e-6)
    for statistic in ("mean", "p95", "p99"):
        row = _change(found, statistic)
        assert row.difference.value == pytest.approx(expected[statistic].difference, abs=1e-12)
        assert row.p == pytest.approx(expected[statistic].p, abs=1e-12)
    assert "loops above" in _change(found, "p99").note


def test_one_against_one_never_speaks_of_the_code():
    """3 % between two recordings differ, but lie within the usual scatter: can't tell."""
    found = _compare([recording(1)], [recording(2, scale=1.03)])
    assert found.recordings == "differ"
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert found.usual_scatter.rests_on.endswith("an assumed 1 % run-to-run sd")
    assert found.usual_scatter.limit_percent == pytest.approx(4.0, abs=0.2)
    text = " ".join(found.sentences)
    assert text.startswith("These two recordings differ: slower, mean period +3")
    assert "One run a side cannot tell a code change from ordinary run-to-run scatter." in text
    assert "Record at least 3 + 3 runs in ABBA order." in text


def test_one_against_one_beyond_the_usual_scatter():
    """20 % is more than any usual scatter."""
    found = _compare([recording(1)], [recording(2, scale=1.2)])
    assert found.usual_scatter.beyond
    assert found.verdict == "slower"
    assert _compare([recording(2, scale=1.2)], [recording(1)]).verdict == "faster"


def test_history_stands_in_for_the_assumed_scatter():
    """With six older runs 3 % is told where 1 % of scatter was assumed before."""
    rng = np.random.default_rng(3)
    history = [
        measure(record(recording(200 + k, scale=np.exp(rng.normal(0, 0.003)))).series())
        for k in range(6)
    ]
    found = _compare([recording(1)], [recording(2, scale=1.03)], history=history)
    assert found.usual_scatter.rests_on == "history of 6 runs"
    assert found.usual_scatter.limit_percent < 2
    assert (found.verdict, found.history) == ("slower", 6)


def test_three_against_three_tell_three_percent():
    """The mean is judged by Student's t on the logarithms of the run means."""
    before, after = _sides((1.0, 1.03))
    found = _compare(before, after)
    assert (found.verdict, found.recordings) == ("slower", "")
    assert found.order.letters == "ABBAAB"
    window = min(record(run).left_s(1.0) for run in (*before, *after))
    means = [
        [measure(record(run).series(1.0, window)).get("mean").value for run in side]
        for side in (before, after)
    ]
    expected = compare_runs(*np.log(means))
    row = _change(found, "mean")
    assert row.p == pytest.approx(expected.p, rel=1e-9)
    assert row.percent.value == pytest.approx(expected.percent, rel=1e-9)
    assert row.percent.low < 3 < row.percent.high
    assert _compare(after, before).verdict == "faster"


def test_three_against_three_of_the_same_code():
    """No change is seen, and the change that would have been seen is named."""
    found = _compare(*_sides())
    assert found.verdict == "no change seen"
    assert "would have been seen" in found.sentences[0]
    assert found.ranking == ()


def test_noise_that_hides_everything_is_said_with_what_would_do():
    """Scatter of 4 % between runs: can't tell, and how many runs a side would do."""
    found = _compare(*_sides(sd=0.04))
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert "runs a side would" in _change(found, "mean").note


def test_one_slower_call_is_named_and_explains_the_change():
    """10 % more in one call: that call and no other is slower, and it explains nearly all."""
    calls = {**CALLS, "drive.motors.write": CALLS["drive.motors.write"] * 1.10}
    found = _compare(*_sides(calls=calls))
    assert {c.call for c in found.calls if c.verdict == "slower"} == {"drive.motors.write"}
    assert found.ranking[0].call == "drive.motors.write"
    first = found.explained.parts[0]
    assert first.name == "drive.motors.write"
    assert first.difference_ms == pytest.approx(0.30, abs=0.03)


def test_a_longer_tail_is_seen_in_the_tail():
    """More stalls move p99, and the row says so."""
    found = _compare([recording(1)], [recording(2, stalls=0.03)])
    assert _change(found, "p99").verdict == "slower"
    assert _change(found, "overruns").verdict == "slower"
    assert abs(_change(found, "median").percent.value) < 1
    assert found.recordings == "differ"


@pytest.mark.parametrize("wait", [False, True])
def test_differences_per_call_add_up_to_the_whole(wait):
    """The parts sum to the difference of the means to 1e-9, also paced and with unlike calls."""
    more = {**CALLS, "camera.read": 0.7}
    del more["mast.position.read"]
    before, after = [recording(1), recording(2)], [recording(3, calls=more)]
    if wait:
        before, after = ([paced(run, 20.0) for run in side] for side in (before, after))
    found = _compare(before, after)
    at = found.explained
    assert found.quantity == ("work" if wait else "period")
    assert sum(p.difference_ms for p in at.parts) == pytest.approx(at.difference_ms, abs=1e-9)
    row = _change(found, "mean")
    assert at.difference_ms == pytest.approx(row.difference.value, abs=1e-9)
    assert at.before_ms == pytest.approx(row.before, abs=1e-9)
    by_name = {p.name: p for p in at.parts}
    assert by_name["camera.read"].before_ms == 0.0
    assert by_name["mast.position.read"].after_ms == 0.0
    assert "pace.sleep" not in by_name


def test_paced_loops_are_compared_by_work():
    """A change that fits the pace shows in the work; the period stays."""
    a, b = (paced(recording(s, scale=f), 20.0) for s, f in ((1, 1.0), (2, 1.2)))
    found = compare([a], [b], settings=Settings(budget_ms=25.0))
    assert found.quantity == "work"
    assert _change(found, "mean").verdict == "slower"
    assert _change(found, "rate").difference.value == pytest.approx(0, abs=0.01)


def test_the_shift_shows_the_whole_distribution():
    """Quantiles on each side, their difference, and an interval that holds the truth."""
    found = _compare([recording(1)], [recording(2, scale=1.05)])
    assert [s.percent for s in found.shift] == [1, 5, 10, 25, 50, 75, 90, 95, 99]
    middle = next(s for s in found.shift if s.percent == 50)
    assert middle.difference_ms.low < 0.05 * 7.8 < middle.difference_ms.high
    assert middle.before_ms == pytest.approx(_change(found, "median").before)


def test_what_is_unlike_is_said_first():
    """Calls, ticks, pacing, lengths and robots that differ are all named."""
    a = recording(1, robot="tray-carrier")
    b = paced(recording(2, loops=2000, calls={"camera.read": 2.0}), 20.0)
    found = compare([a], [b], settings=SETTINGS)
    assert {u.what for u in found.unlike} == {"robot", "pacing", "calls", "length"}
    with pytest.raises(UsageError, match="--phase"):
        _compare([a], [recording(2, phase="transport")])


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


def test_the_order_of_recording_is_read_and_warned_about():
    """AAABBB is fitted with a trend; unknown times are said."""
    before, after = _sides((1.0, 1.03), order="AAABBB")
    found = _compare(before, after)
    assert found.order.letters == "AAABBB"
    assert any("not interleaved" in u.text for u in found.unlike)
    trend = [
        recording(k, loops=2600, scale=1 + 0.01 * k, time=f"2026-03-01T10:{k:02}") for k in range(6)
    ]
    assert _compare(trend[:3], trend[3:]).verdict != "slower"
    unknown = _compare([recording(1), recording(2)], [recording(3), recording(4)])
    assert any("order of recording is not known" in u.text for u in unknown.unlike)


def test_even_periods_alone_do_not_make_recordings_the_same():
    """Loops of one length whose calls differ: not taken for one recording on both sides."""
    fixed = [_even(recording(s, loops=3000)) for s in (1, 2)]
    found = _compare([fixed[0]], [fixed[1]])
    assert not [u for u in found.unlike if u.what == "same"]
    itself = _compare([fixed[0]], [fixed[0]])
    assert [u.what for u in itself.unlike if u.what == "same"]
    assert (itself.verdict, itself.exit_code) == ("no change seen", 0)


def test_a_pacing_wait_that_is_not_logged_cannot_tell():
    """Headroom unknown: nothing is said of the loop as a whole."""
    fixed = [_even(recording(s, loops=3000, calls={}), s) for s in (1, 2)]
    found = _compare([fixed[0]], [fixed[1]])
    assert (found.verdict, found.exit_code) == ("can't tell", 3)
    assert "headroom unknown" in found.sentences[0]


def _even(run, seed=0):
    from dataclasses import replace

    from looptime.run import LoopColumns

    n = len(run)
    jitter = np.random.default_rng(seed).integers(-20_000, 20_000, n + 1)
    start = np.arange(n + 1) * 20_000_000 + jitter
    columns = LoopColumns(np.arange(n), start[:-1], np.diff(start))
    return replace(run, loop_columns=columns)


def test_stored_runs_stand_on_a_side(tmp_path):
    """Figures of a season give the same verdicts as the runs, and distributions within 1 %."""
    season = Season(tmp_path / "season", create=True)
    before, after = _sides((1.0, 1.03))
    add_runs(season, before, Settings(budget_ms=11.0, label="old"))
    add_runs(season, after, Settings(budget_ms=11.0, label="new"))
    sides = [
        [season.load(e.name).values for e in season.select(f"label={w}")] for w in ("old", "new")
    ]
    stored, live = _compare(*sides), _compare(before, after)
    assert stored.verdict == live.verdict == "slower"
    assert _change(stored, "mean").percent.value == pytest.approx(
        _change(live, "mean").percent.value, abs=0.1
    )
    for s, t in zip(stored.shift, live.shift, strict=True):
        assert s.before_ms == pytest.approx(t.before_ms, rel=0.011)
    single = _compare(sides[0][:1], sides[1][:1])
    assert single.recordings == "differ"
    at = stored.explained
    assert sum(p.difference_ms for p in at.parts) == pytest.approx(at.difference_ms, abs=1e-9)


def test_bad_input_is_one_line():
    """An empty side and a log without loops after the warm-up."""
    with pytest.raises(UsageError, match="'after' is empty"):
        _compare([recording(1)], [])
    with pytest.raises(LogError, match="after the warm-up"):
        _compare([recording(1)], [recording(2, loops=20)])
    with pytest.raises(LogError, match="no loops"):
        _compare([recording(1)], [recording(2, loops=0)])


def test_a_recording_that_stands_twice_is_said():
    """The same recording on both sides is named; the same sets have no difference."""
    a, b, c = recording(1), recording(2), recording(3)
    found = _compare([a, b], [b, c])
    assert any("run-2.csv" in u.text for u in found.unlike if u.what == "same")
    same = _compare([a, b, c], [c, a, b])
    assert same.verdict == "no change seen"
    assert _change(same, "mean").difference.value == 0.0


def test_a_coarse_clock_hides_nothing_from_the_verdict():
    """Periods in whole ms: 2 % more is seen in the median though the median itself stays."""
    runs = [_coarse(recording(s, loops=6000, spread=0.2, scale=f)) for s, f in ((1, 1), (2, 1.02))]
    found = _compare([runs[0]], [runs[1]])
    median = _change(found, "median")
    assert median.difference.value in (0.0, 1.0)
    assert median.verdict == "slower"
    assert any(u.what == "tick" for u in found.unlike)


def _coarse(run):
    from dataclasses import replace

    from looptime.run import CallColumns, Clock, LoopColumns

    edges = run.loop_columns.start_ns // 1_000_000 * 1_000_000
    columns = LoopColumns(np.arange(len(run) - 1), edges[:-1], np.diff(edges))
    return replace(
        run, loop_columns=columns, call_columns=CallColumns.empty(), clock=Clock(tick_ns=1_000_000)
    )


def test_short_runs_are_refused_not_guessed():
    """p99 of fewer than 1,000 loops is not judged, and says what it needs."""
    found = _compare([recording(1, loops=900)], [recording(2, loops=900)])
    row = _change(found, "p99")
    assert (row.verdict, row.p) == ("can't tell", None)
    assert "3,000 loops" in row.note


def _with_spikes(seed, share, ms, loops=2700):
    """A recording in which a share of the loops has its gyro read longer by so many ms."""
    run = recording(seed, loops=loops, stalls=0.0)
    at, calls = run.loop_columns, run.call_columns
    rng = np.random.default_rng(seed)
    more = np.where(rng.random(loops) < share, round(ms * 1e6), 0)
    longer = calls.duration_ns + np.where(calls.name == 0, more[calls.loop], 0)
    period = at.period_ns + more
    start = np.cumsum(period) - period
    begin = calls.start_ns - at.start_ns[calls.loop] + start[calls.loop]
    begin = begin + np.where(calls.name > 0, more[calls.loop], 0)
    return replace(
        run,
        loop_columns=replace(at, start_ns=start, period_ns=period),
        call_columns=replace(calls, start_ns=begin, duration_ns=longer, self_ns=longer),
    )


def test_a_tail_that_grew_by_a_fifth_is_not_called_no_change():
    """2,700 loops a side, 2 % of them 3 ms longer after: the tail is judged, by counting."""
    found = _compare([_with_spikes(1, 0.0, 3.0)], [_with_spikes(2, 0.02, 3.0)])
    row = _change(found, "p99")
    assert row.verdict == "slower"
    assert row.percent.value > 20
    assert found.recordings == "differ"
    assert found.sentences[0].startswith("These two recordings differ: slower, mean period +")
    assert "; p99 +" in found.sentences[0]


def test_nothing_is_called_unchanged_beside_a_change_that_could_not_be_judged():
    """Of 800 loops a side p99 cannot be judged: its growth is told, and the word is can't tell."""
    found = _compare([_with_spikes(1, 0.0, 3.0, 800)], [_with_spikes(2, 0.015, 3.0, 800)])
    p99 = _change(found, "p99")
    assert p99.p is None
    assert p99.percent.value > 3
    assert _change(found, "mean").verdict != "slower"
    assert found.verdict == "can't tell"
    text = " ".join(found.sentences)
    assert "p99 moved by +" in text
    assert "3,000 loops" in text


def test_microseconds_of_a_call_are_no_news():
    """A call that takes 20 us more, a third of it, is below 0.1 ms: no verdict, whatever p says."""
    calls = {**CALLS, "led.write": 0.06}
    found = _compare(
        [recording(1, calls=calls)], [recording(2, calls={**calls, "led.write": 0.08})]
    )
    row = _change(found, "mean", "led.write")
    assert row.p < 1e-6
    assert (row.verdict, row.note) == ("no change seen", "less than the tolerance")


def test_a_call_within_the_scatter_between_runs_gets_no_verdict():
    """3.5 % of 6 ms are above both tolerances and within what two runs may differ by (4 %)."""
    calls = {"drive.write": 6.0, "mast.read": 1.0}
    found = _compare(
        [recording(1, calls=calls, spread=0.01)],
        [recording(2, calls={**calls, "drive.write": 6.21}, spread=0.01)],
    )
    row = _change(found, "mean", "drive.write")
    assert row.p < 1e-6
    assert row.verdict == "can't tell"
    assert "usual scatter between runs" in row.note


def test_calls_that_took_the_place_of_others_stand_beside_them():
    """Four encoder reads of 0.6 ms became one of 1 ms: sums by hand, and one sentence."""
    old = {**{f"drive.wheel{k}.read": 0.6 for k in range(4)}, "gyro.read": 2.0}
    new = {"drive.all.read": 1.0, "gyro.read": 2.0, "lamp.write": 0.2}
    found = _compare([recording(1, calls=old)], [recording(2, calls=new)])
    pair, fresh = found.replaced
    assert (pair.before_name, pair.after_name) == ("drive.*.read", "drive.all.read")
    assert len(pair.before) == 4
    assert pair.before_ms == pytest.approx(2.4, rel=0.01)
    assert pair.after_ms == pytest.approx(1.0, rel=0.01)
    assert (fresh.before, fresh.after) == ((), ("lamp.write",))
    assert any(s.startswith("4 x drive.*.read 2.4 ms a loop, became") for s in found.sentences)


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
    found = _compare([recording(1, loops=1500)], [recording(2, loops=1500)])
    data = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert {"verdict", "changes", "calls", "explained", "shift", "unlike"} <= set(data)
    assert set(data["changes"][0]["difference"]) == {"value", "low", "high"}


def test_no_count_falls_by_more_than_all_of_it():
    """Some forty overruns and then none: -100 %, though the interval of the counts goes below."""
    found = _compare([recording(1, stalls=0.01)], [recording(2, stalls=0.0)])
    change = _change(found, "overruns")
    assert change.before > 25
    assert change.after == 0
    assert change.difference.low < -change.before
    assert (change.percent.value, change.percent.low) == (-100.0, -100.0)
    assert change.percent.high < 0


def test_hardly_interleaved_sides_are_warned_of():
    """In AABABB the places of A are 0, 1 and 3 and those of B 2, 4 and 5: 7/9 of half the runs."""
    a, b = _sides(order="AABABB")
    (warning,) = [u for u in _compare(a, b).unlike if u.what == "order"]
    assert "hardly interleaved (AABABB)" in warning.text
    assert not [u for u in _compare(*_sides()).unlike if u.what == "order"]


def test_two_runs_against_one_are_too_few_for_a_trend():
    """Three runs carry a comparison; a trend along the session would need a fourth."""
    a, b = _sides(runs=2, order="ABBB")
    found = _compare(a, b[:2])
    assert len(found.before) + len(found.after) == 3
    assert _change(found, "mean").p is not None


def test_a_longer_recording_is_advised_by_the_square_of_what_it_must_see():
    """What a recording of T seconds resolves to x % needs T (x / 3)^2 seconds for 3 %."""
    found = _compare([recording(1, loops=700, spread=0.5)], [recording(2, loops=700, spread=0.5)])
    told = [c for c in found.changes if "s a side would do" in c.note]
    assert told
    for c in told:
        seconds = int(c.note.rsplit("about ", 1)[1].split()[0])
        assert seconds == pytest.approx(found.window_s * (c.seen_percent / 3) ** 2, abs=0.51)


def test_calls_are_listed_where_they_stand_out_among_all_of_them():
    """A p of 0.03 that becomes 0.2 among all calls is no change worth a line."""
    loud = Change("self time", "mean", "a", difference=Figure(1.0), p=0.001, p_bh=0.01)
    quiet = Change("self time", "mean", "b", difference=Figure(1.0), p=0.03, p_bh=0.2)
    assert _ranked([quiet, loud], Tolerance()) == (loud,)


def test_the_rate_alone_gives_no_verdict():
    """It says again what the mean says: a mean in doubt is not settled by it."""
    changes = [Change("period", "mean", verdict="no change seen"),
               Change("period", "rate", verdict="slower")]  # fmt: skip
    assert _verdict(changes, False, None, Tolerance()) == ("", "no change seen")
    changes.append(Change("period", "p95", verdict="slower"))
    assert _verdict(changes, False, None, Tolerance()) == ("", "slower")


@pytest.mark.parametrize(("scale", "words"), [(1.2, "is more than"), (1.01, "is within")])
def test_a_change_is_held_against_the_usual_scatter_in_words(scale, words):
    """20 % is more than any scatter between runs, 1 % is not."""
    text = " ".join(_compare([recording(1)], [recording(2, scale=scale)]).sentences)
    assert f"%, {words} the usual scatter between runs" in text


def test_both_sides_lose_as_much_at_their_start():
    """A warm-up of one recording is cut off the other, too, so that both are of one age."""
    rng = np.random.default_rng(1)
    t = np.arange(3000) * 0.01
    warm = make_run(10 * (1 + 0.3 * np.exp(-t)) * rng.lognormal(0, 0.02, 3000))
    even = make_run(10 * rng.lognormal(0, 0.02, 3000))
    own = [record(run).cut_s for run in (warm, even)]
    assert own[0] > own[1] == 1.0
    (one,), (other,) = equalise([[warm], [even]], Settings())
    assert one.facts.cut_s == other.facts.cut_s == own[0]
