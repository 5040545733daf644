"""Bars of letters: heights and scales by hand."""

import numpy as np

from looptime.views.text.strips import bars, histogram_lines, strip_lines


def test_bars_show_what_there_is() -> None:
    """Heights in eighths; what is above nothing shows; letters where blocks cannot be shown."""
    assert bars(np.array([0, 0.001, 0.25, 0.5, 1])) == " ▁▂▄█"
    assert bars(np.array([0, 0.001, 0.25, 0.5, 1]), "ascii") == " .:=#"
    assert bars(np.array([1.0]), None) == "#"


def test_a_histogram_and_a_strip_by_hand() -> None:
    """Four loops of 1 ms and one of 5 ms; a long loop in the middle of three seconds."""
    shape, scale = histogram_lines(np.array([1.0, 1, 1, 1, 5]), width=12)
    assert (shape[0], shape[-1], shape[1:-1].strip()) == ("█", "▄", "")
    assert scale.startswith("1 ms") or scale.startswith("1.00 ms")
    assert scale.endswith("5.00 ms and more")
    shape, scale = strip_lines(np.array([0.0, 1, 2, 3]), np.array([2.0, 8, 2, 2]), width=4)
    assert shape == "▂█▂▂"
    assert scale.split() == ["0", "s", "3.00", "s"]
