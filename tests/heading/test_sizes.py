"""Quantiles of an error that runs evenly through cells, against closed forms and a sort."""

import numpy as np
import pytest

from looptime.heading.pattern import BLOCKS
from looptime.heading.sizes import sizes_of

#: Moments of a motion and ages, at which the error is any smooth function of both.
MOMENTS = (np.arange(64) + 0.5) / 64
AGES = np.geomspace(1e-3, 1.0, 200)


def swinging() -> np.ndarray:
    """Errors that change their sign on the way; shape (ages, moments)."""
    return 0.3 * np.sin(2 * np.pi * (MOMENTS + AGES[:, None])) - 0.2 * AGES[:, None]


def test_a_ramp_has_the_quantiles_of_a_line() -> None:
    """An error equal to the age, each age lasting as long: p95 lies at 0.05 + 0.95 of the rest."""
    ages = np.linspace(0.05, 1.0, 400)
    found = sizes_of([ages[:, None]], np.ones(1), np.geomspace(1e-4, 1.0001, 2000))
    p95 = found.quantile(np.ones((BLOCKS, 399)), 0.95)
    assert p95.value == pytest.approx(0.05 + 0.95 * 0.95, abs=1e-6)
    assert p95.low == pytest.approx(p95.value, abs=1e-6)  # every block alike: nothing scatters


@pytest.mark.parametrize("tabulate", [False, True])
def test_a_swing_has_the_quantiles_of_its_sorted_sizes(tabulate: bool) -> None:
    """Of a million sizes taken from within the cells by chance, the 95th percentile is the same."""
    rng = np.random.default_rng(5)
    error = swinging()
    cells = rng.random((BLOCKS, len(AGES) - 1))
    grid = np.geomspace(1e-5, np.abs(error).max() * 1.0001, 2000)
    found = sizes_of([error], np.full(64, 1 / 64), grid, tabulate)
    weight = cells.sum(axis=0)
    cell = rng.choice(len(weight), 1_000_000, p=weight / weight.sum())
    moment, part = rng.integers(0, 64, len(cell)), rng.random(len(cell))
    size = np.abs(error[cell, moment] * (1 - part) + error[cell + 1, moment] * part)
    p95 = found.quantile(cells, 0.95).value
    assert p95 == pytest.approx(np.quantile(size, 0.95), abs=0.002)
    assert np.mean(size <= p95) == pytest.approx(0.95, abs=0.002)


def test_a_table_changes_no_quantile() -> None:
    """What is worked out where it is asked for equals what is looked up, with its interval."""
    rng = np.random.default_rng(6)
    error = [swinging(), 0.5 * swinging()]
    cells = rng.random((BLOCKS, 2 * (len(AGES) - 1)))
    grid = np.geomspace(1e-5, np.abs(error[0]).max() * 1.0001, 2000)
    shares = np.full(64, 1 / 64)
    for share in (0.05, 0.5, 0.95):
        direct, looked_up = (
            sizes_of(error, shares, grid, tabulate).quantile(cells, share)
            for tabulate in (False, True)
        )
        for end in ("value", "low", "high"):
            assert getattr(direct, end) == pytest.approx(getattr(looked_up, end), rel=1e-9)


def test_a_block_that_holds_all_of_the_large_errors_widens_the_look() -> None:
    """Without it the quantile lies far below: the look goes on until both are within."""
    ages = np.linspace(0.0, 1.0, 400)
    found = sizes_of([ages[:, None]], np.ones(1), np.geomspace(1e-4, 1.0001, 2000))
    cells = np.zeros((BLOCKS, 399))
    cells[:, :20] = 1.0
    cells[0, -40:] = 1.0
    p95 = found.quantile(cells, 0.95)
    # 440 parts of time, 418 of them at or below: 18 of the 40 cells from 359 on
    assert p95.value == pytest.approx((359 + 18) / 399, abs=1e-3)
    assert p95.low is not None
    assert p95.high is not None
    assert p95.high - p95.low > 0.5
