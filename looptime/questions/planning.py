"""What remedies would buy: proposals, predictions, and how a prediction came true."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from looptime.analysers.lock_rows import fold_locks
from looptime.analysers.thread_rule import ThreadRule, thread_rule
from looptime.errors import UsageError, nearest
from looptime.findings.finding import Finding
from looptime.findings.priced import led, remedy_of
from looptime.planner import (
    CAUTIONS,
    Change,
    Prediction,
    Score,
    Suggestions,
    load_changes,
    parse,
    parse_all,
    predict,
    suggest,
)
from looptime.planner import score as held_against
from looptime.planner.known.stretches import spread_sample
from looptime.questions.asked import Asked
from looptime.questions.judging import baseline, season_of
from looptime.questions.new_pace import planned_controllers
from looptime.questions.summing import summary_of_part
from looptime.run import Run

if TYPE_CHECKING:
    from looptime.checks.recording.figures import RunValues

__all__ = [
    "CAUTIONS",
    "parse",
    "plan",
    "remedy_of",
    "scatter",
    "score",
    "spread_sample",
    "suggestions",
]

Progress = Callable[[float], None]


def suggestions(
    asked: Asked,
    run: Run,
    *,
    recurs: Mapping[str, str] | None = None,
    target_hz: float | None = None,
    target_p99_ms: float | None = None,
    run_sd: tuple[float | None, str] | None = None,
    progress: Progress | None = None,
    findings: Sequence[Finding] | None = None,
) -> Suggestions:
    """Remedies worth trying, best first.

    Parameters
    ----------
    asked : Asked
        With what the question is asked.
    run : Run
        A whole run.
    recurs : dict of str to str, optional
        ``loop`` or ``time`` by call name, where the log misleads.
    target_hz : float, optional [Hz]
        Loop rate to reach.
    target_p99_ms : float, optional [ms]
        99th percentile of the period to reach.
    run_sd : (float or None, str), optional
        As for `plan`.
    progress : callable, optional
        Is told the share that is done, 0 to 1.
    findings : sequence of Finding
        What a summary says of the same part, if it is at hand: the remedy that answers the first
        stands first.

    Raises
    ------
    UsageError
        If the run has no such part or call.
    NotEnoughError
        If it is too short.
    """
    project, read = asked.project, asked.project.heading.read_call
    chosen = fold_locks(asked.modelled(run)).run
    sd, _ = scatter(asked, chosen) if run_sd is None else run_sd
    found = suggest(
        chosen, buses=project.buses, recurs=_known_calls(run, recurs),
        effort=project.effort, target_hz=target_hz, target_p99_ms=target_p99_ms,
        heading_call=read if any(call.name == read for call in run.names) else None,
        heading=project.heading, keep_warmup=asked.keep_warmup, run_sd=sd, progress=progress,
        threads=_threads(asked, run),
    )  # fmt: skip
    told = summary_of_part(asked, run).findings if findings is None else findings
    return led(found, told, [call.name for call in chosen.names if call.kind == "other"])


def plan(
    asked: Asked,
    run: Run,
    changes: Iterable[str | Change] = (),
    *,
    plan_file: str | Path | None = None,
    recurs: Mapping[str, str] | None = None,
    run_sd: tuple[float | None, str] | None = None,
    progress: Progress | None = None,
) -> Prediction:
    """What changes would buy, before anyone writes them.

    Parameters
    ----------
    asked, run, recurs, progress
        As for `suggestions`.
    changes : iterable of str or Change
        In the order in which they are made, after those of `plan_file`.
    plan_file : path-like, optional
        TOML file of changes.
    run_sd : (float or None, str), optional
        Relative scatter of the mean from run to run and where it is from; else as `scatter` finds
        it.

    Raises
    ------
    UsageError
        If a change makes no sense, or not for this run.
    NotEnoughError
        If the run is too short.
    """
    chosen = fold_locks(asked.modelled(run)).run
    kept = load_changes(plan_file) if plan_file is not None else None
    wanted = [*(kept.changes if kept is not None else ()), *parse_all(changes)]
    classes = _known_calls(run, {**(kept.recurs if kept is not None else {}), **(recurs or {})})
    sd, sd_from = scatter(asked, chosen) if run_sd is None else run_sd
    found = predict(
        chosen, wanted, buses=asked.project.buses, recurs=classes, budget_ms=asked.budget_ms,
        run_sd=sd, keep_warmup=asked.keep_warmup, heading=asked.project.heading,
        progress=progress, threads=_threads(asked, run),
    )  # fmt: skip
    found = found if sd is None else replace(found, run_sd_from=sd_from)
    return planned_controllers(asked.project, chosen, found)


def score(asked: Asked, told: Prediction, after: Run) -> Score:
    """How a prediction came true, held against a whole run recorded after the change."""
    return held_against(told, asked.part(after), keep_warmup=asked.keep_warmup)


def scatter(
    asked: Asked, run: Run, past: Sequence[RunValues] | None = None
) -> tuple[float | None, str]:
    """Relative scatter of the mean from run to run, and where it is from.

    Parameters
    ----------
    asked, run
        As for `suggestions`; the run is not cut.
    past : sequence of RunValues, optional
        The season's baseline, where it is at hand.

    Returns
    -------
    sd : float or None
        None where it must be assumed.
    source : str
        ``season`` or ``assumed``.
    """
    from looptime.checks.recording.scatter import season_scatter

    if past is None:
        store = season_of(asked)
        if store is None:
            return None, "assumed"
        past = baseline(asked, store, [run])
    return season_scatter(past, run, asked.project.robot)


def _threads(asked: Asked, run: Run) -> ThreadRule:
    project = asked.project
    return thread_rule(run.meta, project.threads, project.switch_interval_ms)


def _known_calls(run: Run, classes: Mapping[str, str] | None) -> dict[str, str]:
    """The same classes.

    Raises
    ------
    UsageError
        If a call that they name is not in the run.
    """
    names = [call.name for call in run.names]
    for name in classes or ():
        if name not in names:
            raise UsageError(f"recurs: no call is named {name!r}; {nearest(name, names)}")
    return dict(classes or {})
