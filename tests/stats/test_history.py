import numpy as np
import pytest

from looptime.errors import NotEnoughError
from looptime.stats.history import _split_scores, level_changes


def test_two_changes_are_found_where_they_are():
    """Levels 0, 3 and 1 with a scatter of one half."""
    y = np.repeat([0.0, 3.0, 1.0], [8, 10, 9]) + np.random.default_rng(1).normal(0, 0.4, 27)
    assert level_changes(y) == [8, 18]


@pytest.mark.parametrize("m", [8, 30])
def test_a_level_history_changes_as_rarely_as_it_says(m):
    """Of 300 histories without a change about one in twenty shows one."""
    rng = np.random.default_rng(m)
    hits = [bool(level_changes(rng.normal(0, 1, m), shuffles=199)) for _ in range(300)]
    assert 0.01 <= np.mean(hits) <= 0.095


def test_the_score_is_the_sum_of_squares_between_the_parts():
    """Against the definition, for each split."""
    y = np.random.default_rng(2).normal(0, 1, 9)
    for i, score in enumerate(_split_scores(y[None, :], 3)[0]):
        a, b = y[: 3 + i], y[3 + i :]
        between = ((y - y.mean()) ** 2).sum() - sum(((p - p.mean()) ** 2).sum() for p in (a, b))
        assert score == pytest.approx(between)


def test_constant_and_short_histories():
    """No scatter, no change; five runs are too few."""
    assert level_changes([1.0] * 12) == []
    with pytest.raises(NotEnoughError, match="at least 6"):
        level_changes([1.0] * 5)


def test_a_step_without_scatter_is_found():
    """Equal but for the step."""
    assert level_changes([1.0] * 6 + [2.0] * 6) == [6]
