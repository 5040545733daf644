"""Figures of a season say what the trends found."""

from looptime.analysers.estimate import Figure
from looptime.checks.recording.facts import Facts
from looptime.checks.season.season import Listed
from looptime.checks.season.trends import LevelChange, Trend, Trends
from looptime.views.figures.season_figures import trend_figure, trends_table


def test_trend_draws_runs_and_levels() -> None:
    """One point a run in their order, and a line along each level."""
    entries = tuple(
        Listed(f"{k:064x}", Facts(source=f"run_{k}.csv", version="1" if k < 3 else "2"))
        for k in range(6)
    )
    values = (10.0, 10.1, 9.9, 12.0, 12.1, 11.9)
    step = LevelChange(
        entries[2].name, entries[3].name, "1", "2", 10.0, 12.0, Figure(20, 18, 22), 0.001
    )
    trend = Trend("mean", "", "ms", values, Figure(4.0, 3.0, 5.0), 0.01, 0.02, (step,))
    at = Trends("tray-carrier", "period", entries, True, (trend,), ())
    made = trend_figure(at, "mean")
    assert made is not None
    runs, first, second = made.figure["data"]
    assert runs["y"] == list(values)
    assert (first["x"], first["y"]) == ([1.0, 3.5], [10.0, 10.0])
    assert (second["x"], second["y"]) == ([3.5, 6.0], [12.0, 12.0])
    assert "+20.0 % between version 1 and 2" in made.title
    assert trends_table(at)[1][0][0] == "period mean"
    assert trend_figure(at, "p99") is None
