import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from looptime.stats.multiple import benjamini_hochberg, holm

lists = st.lists(st.floats(0, 1), min_size=1, max_size=30)


@given(lists)
def test_holm_decides_as_the_step_down_procedure(p):
    """Walking up the sorted p-values until the first failure rejects the same hypotheses."""
    q = holm(p)
    for alpha in (0.01, 0.05, 0.3):
        rejected, m = set(), len(p)
        for step, i in enumerate(np.argsort(p, kind="stable")):
            if p[i] * (m - step) > alpha:
                break
            rejected.add(int(i))
        assert rejected == set(np.flatnonzero(q <= alpha).tolist())


@given(lists)
def test_the_ranked_list_agrees_with_an_independent_implementation(p):
    """Same adjusted values."""
    assert benjamini_hochberg(p) == pytest.approx(stats.false_discovery_control(p))


@given(lists, st.randoms())
def test_the_order_of_questions_does_not_matter(p, random):
    """A permutation of the questions permutes the answers."""
    order = list(range(len(p)))
    random.shuffle(order)
    shuffled = np.array(p)[order]
    assert holm(shuffled) == pytest.approx(holm(p)[order])
    assert benjamini_hochberg(shuffled) == pytest.approx(benjamini_hochberg(p)[order])


def test_no_question_no_answer():
    """An empty family is fine; a p-value above 1 is not."""
    assert len(holm([])) == 0
    assert len(benjamini_hochberg([])) == 0
    with pytest.raises(ValueError):
        holm([1.2])


def test_weights_share_the_level_by_hand():
    """Weights 7, 2, 1: the first p of 0.03 costs 10/7; the others would cost less than that."""
    found = holm([0.03, 0.02, 0.04], [7, 2, 1])
    assert found == pytest.approx([0.03 * 10 / 7, max(0.03 * 10 / 7, 0.02 * 3 / 2), 0.3 / 7])
