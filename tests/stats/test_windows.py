import numpy as np
import pytest

from looptime.errors import NotEnoughError
from looptime.stats.windows import loops_per_window, window_medians


@pytest.mark.parametrize(
    ("base_s", "quarter", "half"),
    [(0.002, 125, 250), (0.010, 25, 50), (0.020, 25, 50), (0.060, 25, 50)],
)
def test_windows_hold_enough_loops(base_s, quarter, half):
    """Slow loops get longer windows rather than emptier ones."""
    t = np.arange(1000) * base_s
    assert loops_per_window(t, 0.25, 25) == quarter
    assert loops_per_window(t, 0.5, 50) == half


def test_windows_of_a_clock_that_stands_still():
    """All starts at the same time: the least number of loops."""
    assert loops_per_window(np.zeros(10), 0.25, 25) == 25


def test_leftover_loops_are_at_the_end_or_the_start():
    """Seven loops in windows of three."""
    x, t = np.array([1.0, 2, 9, 4, 5, 6, 7]), np.arange(7.0)
    front, back = window_medians(x, t, 3), window_medians(x, t, 3, from_end=True)
    assert front.medians.tolist() == [2, 5]
    assert front.centres_s.tolist() == [1, 4]
    assert back.medians.tolist() == [4, 6]
    assert back.first == 1


def test_no_whole_window():
    """Fewer loops than a window holds."""
    with pytest.raises(NotEnoughError):
        window_medians([1.0], [0.0], 3)


def test_the_middle_half_leaves_out_both_ends():
    """Eight loops: the mean of the four in the middle; three loops: the median."""
    x = np.array([9.0, 1, 2, 100, 4, 3, -50, 5])
    assert window_medians(x, np.arange(8.0), 8, middle_half=True).medians.tolist() == [3.5]
    assert window_medians(x[:3], np.arange(3.0), 3, middle_half=True).medians.tolist() == [2]
