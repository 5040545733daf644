import numpy as np
import pytest

from looptime.errors import NotEnoughError
from looptime.stats.arrays import as_pair, as_values, mad, median, straight, tally


def test_short_arrays_are_refused_with_the_length_that_would_do():
    """The message names the figure, the need and what is there."""
    with pytest.raises(NotEnoughError, match="drift needs at least 1,200 values, there are 3"):
        as_values([1, 2, 3], 1200, "drift")


@pytest.mark.parametrize("bad", [[1.0, np.nan], [np.inf], [[1.0, 2.0]]])
def test_bad_arrays_are_refused(bad):
    """NaN, infinity and two dimensions are mistakes of the caller."""
    with pytest.raises(ValueError):
        as_values(bad)


def test_a_pair_must_match():
    """Values without a start time each are a mistake."""
    with pytest.raises(ValueError, match="3 values do not match 2"):
        as_pair([1, 2, 3], [0, 1])


def test_mad_is_the_median_distance_from_the_median():
    """1 2 3 4 100: distances 2 1 0 1 97, of which the median is 1."""
    assert mad(np.array([1.0, 2, 3, 4, 100])) == 1


@pytest.mark.parametrize("n", [1, 2, 3, 8, 101, 1000])
def test_median_is_that_of_numpy(n):
    """Of odd and even numbers of values, with ties and without."""
    rng = np.random.default_rng(n)
    for x in (rng.normal(0, 1, n), rng.integers(0, 4, n)):
        assert median(x) == np.median(x)


@pytest.mark.parametrize("dtype", [np.int8, np.int32, np.int64])
def test_a_tally_in_blocks_is_the_count_at_once(dtype):
    """Rising, falling and mixed codes over several blocks, alone and with weights."""
    rng = np.random.default_rng(5)
    codes = rng.integers(0, 100, 600_000).astype(dtype)
    weight = rng.integers(-5, 1000, len(codes))
    for code in (codes, np.sort(codes), np.sort(codes)[::-1]):
        assert (tally(code, 120) == np.bincount(code, minlength=120)).all()
        assert (tally(code, 120, weight) == np.bincount(code, weight, 120)).all()
    assert tally(codes[:0], 3).tolist() == [0, 0, 0]


def test_a_line_through_points_is_that_of_numpy():
    """Slope and correlation of 300 points; none where one side never varies or is garbled."""
    draw = np.random.default_rng(9)
    x = draw.normal(5, 2, 300)
    y = 3 * x + draw.normal(0, 1, 300)
    assert straight(x, y) == pytest.approx((np.polyfit(x, y, 1)[0], np.corrcoef(x, y)[0, 1]))
    assert straight(np.full(9, 0.1), x[:9]) is straight(x[:9], np.full(9, 3.0)) is None
    assert straight(x * 1e200, y) is None
