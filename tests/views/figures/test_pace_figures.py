"""Pace over the run: what is counted, marked and drawn."""

import pytest

from looptime.questions.timing import summarise
from looptime.run import Run
from looptime.views.figures.pace_figures import period_histogram, rate_over_run, recurrences
from looptime.views.figures.palette import KIND_COLOUR, KIND_PATTERN
from tests.build_run import make_run
from tests.views.figures.build import summary


def paced() -> Run:
    """400 loops of 20 ms sharp with 8 ms of work, 15 ms in every fiftieth, and the wait logged."""

    def calls(loop: int) -> list[tuple[str, float, float]]:
        work = 15.0 if loop % 50 == 49 else 8.0 + 0.01 * (loop % 7)
        return [("gyro.read", 0.0, work), ("sleep", work, 20 - work)]

    return make_run([20.0] * 400, calls, {"gyro.read": "sensor read", "sleep": "pacing"})


def test_marks_are_on_the_work_and_not_on_the_nominal_period() -> None:
    """Eight loops are marked at 15 ms; the line of the work tops there, the period stays at 20."""
    at = summarise(paced(), keep_warmup=True)
    assert at.basis.judged == "work"
    data = {d["name"]: d for d in rate_over_run(at).figure["data"]}
    assert data["slow loops"]["y"] == pytest.approx([15.0] * 8)
    assert max(data["work"]["y"]) == pytest.approx(15.0)
    assert set(data["period"]["y"]) == {20.0}
    marks = dict(zip(data["work"]["x"], data["work"]["y"], strict=True))
    assert [marks[x] for x in data["slow loops"]["x"]] == pytest.approx([15.0] * 8)


@pytest.mark.parametrize(
    ("budget_ms", "ticks"),
    [(22.0, [20.0, 20.5, 21.0, 21.5, 22.0]), (90.0, [19.9, 19.95, 20.0, 20.05, 20.1])],
)
def test_labels_are_spread_over_all_that_is_drawn(budget_ms: float, ticks: list[float]) -> None:
    """Loops of 19.9 to 20.1 ms with a budget of 22 beside them, or with one that is far away."""
    run = make_run([19.9 + 0.001 * (k % 201) for k in range(402)])
    drawn = period_histogram(summarise(run, budget_ms=budget_ms, keep_warmup=True)).figure["layout"]
    assert drawn["xaxis"]["tickvals"] == pytest.approx(ticks)


def test_histogram_counts_every_loop_once() -> None:
    """116 loops of 10 ms and 4 of 30: 29/30 of the loops, and 116*10 of 1280 ms of the time."""
    at = summary()
    by_loops, by_time = period_histogram(at), period_histogram(at, "time")
    assert sum(row[2] for row in by_loops.rows) == 120
    assert by_loops.rows[0][3] == pytest.approx(116 / 120)
    assert by_time.rows[0][3] == pytest.approx(1160 / 1280)
    assert sum(by_loops.figure["data"][0]["y"]) == pytest.approx(100)
    assert "4 (3.3 %)" in by_loops.title


def test_a_bar_leads_to_a_loop_of_its_length() -> None:
    """The loop that a bar of the histogram stands for has a period inside the bar."""
    at = summary()
    drawn = period_histogram(at).figure["data"][0]
    period = at.run.loop_columns.period_ns / 1e6
    for loop, low, high, count, word in drawn["customdata"]:
        assert word == ("loop" if count == 1 else "loops")
        if count:
            assert low - 1e-9 <= period[loop] <= high + 1e-9


def test_a_rhythm_has_the_colour_of_its_call() -> None:
    """The read that stalls every 30 loops is drawn as reads are."""
    made = recurrences(summary(loops=900))
    assert made is not None
    bars = made.figure["data"][0]
    assert made.rows[0][0] == "gyro.read"
    assert bars["text"][0] == "every 30 loops"
    assert bars["marker"]["color"][0] == KIND_COLOUR["sensor read"]
    assert bars["marker"]["pattern"]["shape"][0] == KIND_PATTERN["sensor read"]
