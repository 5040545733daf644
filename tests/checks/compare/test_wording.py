"""A verdict in words."""

from __future__ import annotations

import pytest

from tests.checks.build import recording
from tests.checks.compare.build import compare_sides


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
