"""Text as a console shows it, and planted runs to tell of."""

import io

import numpy as np
from rich.console import Console

from looptime.checks.season.adding import add_runs
from looptime.checks.season.season import Season
from looptime.findings import summarise
from looptime.views.text.summary_text import render_summary
from tests.benchmarks.scenarios import SCENARIOS
from tests.checks.build import CALLS, recording

#: One call a third dearer: 0.4 ms of the 8 ms of a loop.
DEARER = {**CALLS, "gyro.read": CALLS["gyro.read"] + 0.4}


def text_of(parts, width=80):
    """Text as a console of that width shows it."""
    stream = io.StringIO()
    made = Console(file=stream, width=width, highlight=False, markup=False, emoji=False)
    for part in parts:
        made.print(part)
    return stream.getvalue()


def scenario(name, seed=1):
    """A planted run and its summary."""
    run = next(s for s in SCENARIOS if s.name == name).make(np.random.default_rng(seed))
    return run, summarise(run, budget_ms=15, serious_ms=30)


def full_text(log, found):
    """All that a summary says, as with --full."""
    return text_of(render_summary(log, found).parts(full=True))


def made_runs(n, robot="tray-carrier", odd=None, dearer_from=99, creep=0.0, seed=3):
    noise = np.exp(np.random.default_rng(seed).normal(0, 0.003, n))
    return [
        recording(
            100 * seed + k, loops=900, robot=robot, source=f"run_{k + 1:02}.csv",
            scale=noise[k] * (1 + creep) ** k * (1.15 if k == odd else 1.0),
            calls=DEARER if k >= dearer_from else None,
            code_version="1.5" if k >= dearer_from else "1.4", time=f"2026-03-{k + 1:02}",
        )
        for k in range(n)
    ]  # fmt: skip


def made_season(tmp_path, runs):
    season = Season(tmp_path / "season", create=True)
    add_runs(season, runs)
    return season


def first_words(told):
    return told.answer
