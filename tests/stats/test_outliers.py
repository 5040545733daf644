import numpy as np
import pytest
from scipy import ndimage

from looptime.stats.outliers import merge_close, running_median, stalls


def test_the_running_median_agrees_with_a_filter():
    """Inside the run, at every loop, the same as an independent implementation."""
    x = np.random.default_rng(2).lognormal(0, 1, 500)
    expected = ndimage.median_filter(x, 101)
    assert running_median(x, 101, 1)[50:-50] == pytest.approx(expected[50:-50])


def test_interpolating_the_running_median_loses_little():
    """Against the median at each loop: well below a tenth of the scatter."""
    x = np.random.default_rng(3).normal(10, 1, 3000)
    gap = running_median(x) - running_median(x, stride=1)
    assert np.abs(gap).max() < 0.2
    assert gap.std() < 0.05


@pytest.mark.parametrize("n", [1, 2, 99, 101, 102, 111])
def test_runs_of_any_length_have_a_running_median(n):
    """Also shorter than the window."""
    assert running_median(np.full(n, 3.0)).tolist() == [3.0] * n


def test_close_loops_are_one_event():
    """At most two loops apart."""
    assert merge_close(np.array([1, 3, 5, 8])).tolist() == [0, 3]
    assert merge_close(np.array([], dtype=int)).tolist() == []


def test_planted_stalls_are_found():
    """Three stalls, one of them two loops long, with their heights."""
    x = np.random.default_rng(4).normal(10, 0.1, 1000)
    x[[100, 500, 501, 900]] += [3, 4, 2, 5]
    found = stalls(x, k=6)
    assert found.loops.tolist() == [100, 500, 900]
    assert found.heights == pytest.approx([3, 4, 5], abs=0.3)


def test_a_coarse_clock_has_no_stall_of_one_tick():
    """The beat of rounded periods, 10 10 11 and so on, is no stall."""
    assert len(stalls(np.tile([10.0, 10.0, 11.0], 400), tick=1.0).loops) == 0
    assert len(stalls(np.full(200, 10.0)).loops) == 0
    assert len(stalls(np.zeros(200)).loops) == 0
