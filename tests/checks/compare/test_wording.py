"""A verdict in words."""

from dataclasses import replace

import pytest

from looptime.checks.compare.change import beyond, limits_in_words, lower_limit
from looptime.checks.compare.wording import _by_call
from tests.checks.build import recording
from tests.checks.compare.build import compare_sides, with_spikes


def test_a_longer_recording_is_advised_by_the_square_of_what_it_must_see():
    """What a recording of T seconds resolves to x % needs T (x / 3)^2 seconds for 3 %."""
    found = compare_sides(
        [recording(1, loops=700, spread=0.5)], [recording(2, loops=700, spread=0.5)]
    )
    told = [c for c in found.changes if "s a side would do" in c.note]
    assert told
    for c in told:
        seconds = int(c.note.rsplit("about ", 1)[1].split()[0])
        assert seconds == pytest.approx(found.window_s * (c.seen_percent / 3) ** 2, abs=0.51)


@pytest.mark.parametrize(("scale", "words"), [(1.2, "is more than"), (1.01, "is within")])
def test_a_change_is_held_against_the_usual_scatter_in_words(scale, words):
    """20 % is more than any scatter between runs, 1 % is not."""
    text = " ".join(compare_sides([recording(1)], [recording(2, scale=scale)]).sentences)
    assert f"%, {words} the usual scatter between runs" in text


def test_the_tail_is_told_where_it_moved_more_than_the_mean():
    """2 % of the loops read for 8 ms longer: the mean by 0.16 ms, p99 by 8; both are said."""
    before = [with_spikes(k, 0.0, 8.0) for k in (1, 2, 3)]
    after = [with_spikes(k, 0.02, 8.0) for k in (4, 5, 6)]
    text = " ".join(compare_sides(before, after).sentences)
    assert "Slower: mean period +2" in text
    assert "; p99 +8" in text
    assert "Slower calls: gyro.read (+0.1" in text


def test_a_call_of_which_only_the_tail_moved_says_so():
    """0.4 ms more in 1.5 % of the reads are 0.006 ms of the mean: p99 alone is slower."""
    before = [with_spikes(k, 0.0, 0.4) for k in (1, 2, 3)]
    after = [with_spikes(k, 0.015, 0.4) for k in (4, 5, 6)]
    found = compare_sides(before, after)
    assert any("gyro.read (p99 +" in s for s in found.sentences)


def test_a_change_and_its_scatter_are_said_on_one_scale():
    """Scatter that explains a quarter more explains a fifth less, and 24 % less is beyond it."""
    assert lower_limit(25.0) == pytest.approx(-20.0)
    assert [beyond(c, 25.0) for c in (-24.0, -19.9, 24.0, 26.0)] == [True, False, False, True]
    assert limits_in_words(25.0) == "-20 to +25 %"
    made = compare_sides([recording(1)], [recording(2, scale=0.7)])
    at = made.usual_scatter
    assert (1 + at.limit_percent / 100) * (1 + at.lower_limit_percent / 100) == pytest.approx(1)
    assert f"scatter between runs of {limits_in_words(at.limit_percent)}" in made.sentences[1]


def test_the_mean_stands_before_what_could_not_be_judged():
    """Three short runs a side that scatter by a third: the mean's change is said first, then p99's.

    Their 900 loops, cut to the shortest, are too few to judge a p99.
    """
    before = [recording(k, loops=900, scale=s) for k, s in ((1, 1.0), (2, 1.5), (3, 1.2))]
    after = [recording(k, loops=900, scale=s) for k, s in ((4, 0.6), (5, 1.3), (6, 0.8))]
    found = compare_sides(before, after)
    assert found.verdict == "can't tell"
    first = found.sentences[0]
    assert first.startswith("Can't tell: mean period -2")
    assert first.index("mean period") < first.index("p99 moved by")


def test_calls_of_the_loop_are_named_before_those_of_another_thread():
    """A thread's read is cut by the most, but the loop gains by its own call alone."""
    made = compare_sides([recording(1)], [recording(2)])
    mean = next(c for c in made.changes if c.statistic == "mean")

    def faster(call, ms, thread=""):
        difference = replace(mean.difference, value=-ms)
        return replace(mean, call=call, thread=thread, difference=difference, verdict="faster")

    calls = (faster("scanner.read", 9.0, "scanner"), faster("gyro.read", 1.5))
    said = " ".join(_by_call(replace(made, calls=calls)))
    assert said.index("gyro.read (-1.5 ms a loop)") < said.index("scanner.read")
    assert "scanner.read (-9 ms a loop, on another thread)" in said
