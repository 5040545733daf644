"""Which runs are unlike the others: by how much, two that hide each other, in which calls."""

import numpy as np
import pytest
from scipy import stats

from looptime.checks.season.level_changes import cuts_of
from looptime.checks.season.odd import gaps, odd_places, odd_runs, odd_together
from tests.checks.build import CALLS
from tests.checks.season.test_trends import one, season_of


def test_a_run_is_odd_where_chance_does_not_explain_it():
    """Scatter of 1 %: eight deviations off is odd, three are not, and less than 2 % never is."""
    rng = np.random.default_rng(8)
    y = rng.normal(0, 0.01, 40)
    y[20], y[30] = 0.08, 0.03
    assert odd_places(y, 0.01).tolist() == [20]
    flat = rng.normal(0, 0.001, 40)
    flat[20] = 0.018  # eighteen deviations, and less than 2 %
    assert len(odd_places(flat, 0.01)) == 0


@pytest.mark.parametrize("alpha", [0.01, 0.001])
def test_its_level_is_that_of_a_new_value_over_all_runs(alpha):
    """Ten runs, one off: odd just where Student's t of a new value times ten is below the level."""
    others = np.random.default_rng(5).normal(0, 0.01, 9)
    y = np.insert(others, 6, 0.0)
    t = stats.t.isf(alpha / 20, 8)
    edge = others.mean() + t * others.std(ddof=1) * np.sqrt(1 + 1 / 9)
    for off, odd in ((1.02, [6]), (0.98, [])):
        y[6] = others.mean() + off * (edge - others.mean())
        assert odd_places(y, alpha).tolist() == odd


def test_two_odd_runs_do_not_hide_each_other():
    """Of twelve runs two are 12 % above: each spoils the scatter that the other is held against."""
    y = np.random.default_rng(2).normal(0, 0.01, 12)
    y[[3, 8]] += 0.12
    assert odd_places(y, 0.01).tolist() == [3, 8]


def test_a_level_that_changed_makes_no_run_odd():
    """Five runs, then five 10 % above."""
    y = np.random.default_rng(2).normal(0, 0.005, 10)
    y[5:] += 0.1
    assert len(odd_places(y, 0.05)) == 0


def test_a_run_that_is_odd_in_one_figure_is_so_in_another_on_less():
    """The same value alone is no odd run at the level of that figure."""
    rng = np.random.default_rng(6)
    a, b = rng.normal(0, 0.01, (2, 10))
    a[4], b[4] = 0.3, b[[0, 1, 2, 3, 5, 6, 7, 8, 9]].mean() + 0.07
    assert len(odd_places(b, 1e-4)) == 0
    assert [at.tolist() for at in odd_together([a, b], [1e-4, 1e-4])] == [[4], [4]]
    assert [at.tolist() for at in odd_together([b, b], [1e-4, 1e-4])] == [[], []]
    usual = rng.normal(0, 0.01, 10)
    assert [at.tolist() for at in odd_together([a, usual], [1e-4, 1e-4])] == [[4], []]


def test_a_trend_makes_no_run_odd():
    """Runs that get slower by 2 % each lie on a line, the first and the last of them, too."""
    assert gaps(0.02 * np.arange(9)) == pytest.approx(np.zeros(9), abs=1e-12)
    assert gaps(0.02 * np.arange(9) + 0.5 * (np.arange(9) == 8))[8] == pytest.approx(0.5)


def test_the_figures_of_each_odd_run_are_its_own(tmp_path):
    """The loop's mean is 4 ms longer in the seventh run, 3 of them a read; p99 10 ms in the third.

    The calls are those of the mean: of what p99 grew by, the read carries less than half.
    """
    entries = season_of(tmp_path, [1.0] * 10).entries()
    mean, p99, read = np.full(10, 20.0), np.full(10, 30.0), np.full(10, 5.0)
    mean[6], read[6], p99[6], p99[2] = 24.0, 8.0, 40.0, 40.0
    figures = [("p99", "", p99), ("mean", "", mean), ("mean", "gyro.read", read)]
    logs = {k: np.log(values) for k, (_, _, values) in enumerate(figures)}
    places = {0: np.array([2, 6]), 1: np.array([6])}
    one, other = odd_runs(entries, figures, logs, places, [0.0] * len(figures))
    assert (one.entry, one.figures) == (entries[6].name, ("p99", "mean"))
    assert one.percent == pytest.approx(100 / 3)
    assert [(call.call, call.more_ms) for call in one.calls] == [("gyro.read", pytest.approx(3.0))]
    assert (other.entry, other.figures, other.calls) == (entries[2].name, ("p99",), ())


def test_the_call_that_carries_it_is_told(tmp_path):
    """One read takes 40 % more in the ninth run: it carries all of the loop's distance."""
    slow = {**CALLS, "gyro.read": CALLS["gyro.read"] * 1.4}
    [odd] = one(season_of(tmp_path, [1.0] * 8 + [1.0] * 2, changed_at=9, calls=slow)).odd
    assert odd.run == "run-5009.csv"
    [call] = odd.calls
    assert call.call == "gyro.read"
    assert call.more_ms == pytest.approx(0.4 * CALLS["gyro.read"], rel=0.1)


def test_the_level_of_a_long_season_is_looked_for_once(monkeypatch):
    """Of 3,000 runs each tenth is odd, on two levels: one search, and all of them are found."""
    y = np.random.default_rng(4).normal(0, 0.004, 3000)
    y[1777:] += 0.1
    y[5::10] += 0.3
    searched = []

    def counting(values, alpha):
        searched.append(len(values))
        return cuts_of(values, alpha)

    monkeypatch.setattr("looptime.checks.season.odd.cuts_of", counting)
    assert odd_places(y, 0.01).tolist() == list(range(5, 3000, 10))
    assert len(searched) == 1
