"""The checklist where the new log lacks a phase of the baseline."""

import numpy as np
import pytest

from looptime.questions.asked import Asked
from looptime.questions.judging import add_to_season
from looptime.questions.pit_check import pit


def log(path, seed, phases):
    """Two calls a loop for so many loops of each phase."""
    draw, t = np.random.default_rng(seed), 0
    rows = ["phase,name,start_us,dur_us"]
    for phase, loops in phases:
        for _ in range(loops):
            for name, usual in (("imu", 2000), ("drive", 9000)):
                took = usual + int(draw.integers(0, 400))
                rows.append(f"{phase},{name},{t},{took}")
                t += took + 20
    path.write_text("\n".join(rows) + "\n")
    return str(path)


@pytest.mark.parametrize(
    ("phases", "lacks"),
    [
        ((("standby", 300), ("carry", 600)), None),
        ((("carry", 600),), "new.csv lacks standby"),
    ],
)
def test_a_missing_phase_leaves_only_the_season_unjudged(tmp_path, phases, lacks):
    """What is there is judged, and which phase is missing is said in the season's line."""
    asked = Asked(season=str(tmp_path / "season"), cache=False, budget_given_ms=20.0)
    old = [log(tmp_path / f"{k}.csv", k, (("standby", 300), ("carry", 600))) for k in range(6)]
    add_to_season(asked, old, labels={})
    new = asked.read(log(tmp_path / "new.csv", 9, phases))
    made = pit(asked, [new], query="last=6")
    season = next(one for one in made.checks if one.what == "season")
    assert (season.state, season.text) == ("not judged", lacks) if lacks else season.state == "ok"
    assert {one.what: one.state for one in made.checks}["pace"] == "ok"
    if lacks:
        assert "--phase NAME" in season.action
        assert made.exit_code == 3
