"""Steps of loop numbers across wraps of their counter."""

import numpy as np
import pytest

from looptime.stats.numbering import number_steps


@pytest.mark.parametrize("wrap", [128, 256, 1000, 65_536])
@pytest.mark.parametrize("every", [1, 4])
@pytest.mark.parametrize("clock", [True, False])
def test_steps_are_those_of_the_numbers_that_never_wrapped(wrap, every, clock):
    """Loops lost at random, at a wrap too: the steps are those of the count behind the counter."""
    chance = np.random.default_rng(wrap + every)
    count = every * np.arange(max(3 * wrap // every, 300) + 5)
    time = np.cumsum(chance.normal(10_000, 300, len(count)))
    kept = np.sort(chance.choice(len(count), int(0.97 * len(count)), replace=False))
    across = np.abs(kept * every - wrap) <= 3 * every  # the first wrap lies in a gap
    kept = kept[~across]
    found = number_steps(count[kept] % wrap, time[kept] if clock else None)
    assert np.array_equal(found, np.diff(count[kept]))


def test_numbers_that_begin_anew_are_no_wrap():
    """A second session, at once or after a pause that no wrap explains, falls as it is logged."""
    number = np.concatenate([np.arange(300), np.arange(250)])
    for pause in (1, 150, 3000):
        time = 10_000 * np.arange(550) + np.where(np.arange(550) >= 300, 10_000 * pause, 0)
        assert number_steps(number, time).min() == -299
    assert number_steps(number).min() == -299
