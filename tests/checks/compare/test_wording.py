"""A verdict in words."""

import pytest

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
