"""Where a loop is paced, slow loops are marked where they are slow: on the work."""

from __future__ import annotations

import pytest

from looptime.questions.timing import summarise
from looptime.run import Run
from looptime.views.figures.pace_figures import rate_over_run
from tests.build_run import make_run


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
