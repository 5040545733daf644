"""Whether the loop changed, whether it may run, and how a season went."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from looptime.errors import LogError, UsageError
from looptime.questions.asked import Asked

if TYPE_CHECKING:
    from looptime.checks.compare.comparison import Comparison
    from looptime.checks.compare.sides import Item
    from looptime.checks.gate.gate import GateResult
    from looptime.checks.recording.figures import RunValues
    from looptime.checks.recording.recording import Settings
    from looptime.checks.season.adding import Added
    from looptime.checks.season.entries import Entry
    from looptime.checks.season.merge import Totals
    from looptime.checks.season.season import Season
    from looptime.checks.season.trends import RobotSpread, Trends
    from looptime.run import Run

__all__ = [
    "add_to_season", "baseline", "baseline_lacks", "compare", "gate", "left_out", "season",
    "season_of", "settings_of", "stored", "totals", "trends",
]  # fmt: skip


def season_of(asked: Asked, *places: Path) -> Season | None:
    """The season where there is one: as asked, else in one of some other places.

    Raises
    ------
    UsageError
        If the folder that was named is no season.
    """
    from looptime.checks.season.season import Season

    if asked.season is not None:
        return Season(asked.season)
    found = (place for place in (asked.season_folder(), *places) if Season.is_season(place))
    return next(map(Season, found), None)


def season(asked: Asked, *, create: bool = False) -> Season:
    """The season of a team.

    Raises
    ------
    UsageError
        If there is none, and none is to be made.
    """
    from looptime.checks.season.season import Season

    return Season(asked.season_folder(), create=create)


def settings_of(asked: Asked, **labels: str | None) -> Settings:
    """How runs are judged; `labels` stand in for what the logs do not say."""
    from looptime.checks.recording.recording import Settings

    stated = {"robot": asked.project.robot, **labels}
    return Settings(
        budget_ms=asked.budget_ms, serious_ms=asked.project.serious_ms,
        keep_warmup=asked.keep_warmup, **stated,
    )  # fmt: skip


def left_out(store: Season | None) -> str:
    """How many entries of a season cannot be read, as the answer says it; empty where all can."""
    damaged = len(store.damaged) if store is not None else 0
    if not damaged:
        return ""
    many = "1 damaged entry is" if damaged == 1 else f"{damaged:,} damaged entries are"
    return f"{many} left out of the season: looptime season list says which"


def baseline(
    asked: Asked, store: Season, runs: Sequence[Item], query: str | None = None
) -> list[RunValues]:
    """The season's runs that some runs are held against; without these themselves.

    Raises
    ------
    UsageError
        If the query names nothing.
    """
    from looptime.checks.gate.gate import choose_baseline

    return choose_baseline(store, runs, query, asked.project.robot)


def _side(
    asked: Asked,
    given: Sequence[str | Item],
    store: Season | None,
    unread: dict[str, str] | None = None,
) -> list[Item]:
    """Runs, with those that words name in the place of the words; `unread` takes why not."""
    from looptime.questions.sources import load_side

    def read(path: str) -> list[Run]:
        try:
            return asked.parts(path)
        except LogError as error:
            if unread is None:
                raise
            unread[path] = str(error)
            return []

    return [
        item for one in given
        for item in (load_side([one], read, store) if isinstance(one, str) else [one])
    ]  # fmt: skip


def compare(
    asked: Asked,
    before: Sequence[str | Item],
    after: Sequence[str | Item],
    *,
    history: str | None = None,
    past: Sequence[RunValues] | None = None,
) -> Comparison:
    """Whether the loop got slower or faster, and whether one may say so.

    Parameters
    ----------
    asked : Asked
        With what the question is asked.
    before, after : sequence of str or Run
        Runs that are cut already, or words as `looptime.questions.sources.load_side` takes them.
    history : str, optional
        Query of the season's runs that tell the usual scatter; else its baseline.
    past : sequence of RunValues, optional
        Those runs, where they are at hand.

    Raises
    ------
    UsageError
        If a word or a query names nothing, or a query is given without a season.
    LogError
        If a log cannot be read.
    """
    from looptime.checks.compare.change import Tolerance
    from looptime.checks.compare.compare import compare as judge
    from looptime.checks.compare.sides import Unlike
    from looptime.questions.new_pace import compared_controllers

    store = season_of(asked) if past is None else None
    sides = [_side(asked, given, store) for given in (before, after)]
    if history is not None and store is None:
        raise UsageError("--history needs a season: name one with --season")
    if past is None:
        past = () if store is None else baseline(asked, store, [*sides[0], *sides[1]], history)
    found = judge(
        sides[0], sides[1], settings=settings_of(asked), history=past,
        tolerance=Tolerance.of(asked.project.regression),
    )  # fmt: skip
    if left_out(store):
        found = replace(found, unlike=(*found.unlike, Unlike("damaged", left_out(store))))
    return compared_controllers(asked.project, found)


def gate(
    asked: Asked,
    new: Sequence[str | Item],
    *,
    query: str | None = None,
    past: Sequence[Item] | None = None,
    unsure: str | None = None,
    unread: dict[str, str] | None = None,
) -> GateResult:
    """Whether new runs keep to the limits and are no slower than the baseline.

    Parameters
    ----------
    asked : Asked
        With what the question is asked; the limits are the project's.
    new : sequence of str or Run
        As the sides of `compare`.
    query : str, optional
        Names the season's runs to hold against; else those marked as baseline.
    past : sequence of Run or RunValues, optional
        What to hold against instead of runs of the season.
    unsure : {"pass", "fail"}, optional
        What a verdict that cannot be given counts as.
    unread : dict, optional
        Takes by path why a log cannot be read; the others are judged without it.

    Raises
    ------
    UsageError
        If a word or a query names nothing, or a query is given without a season.
    LogError
        If a log cannot be read, all of them where there is `unread`, or their runs may not be
        held against each other.
    """
    from looptime.checks.compare.change import Tolerance
    from looptime.checks.gate.gate import gate as judge

    store = season_of(asked) if past is None else None
    runs = _side(asked, new, store, unread)
    if unread and not runs:
        raise LogError("; ".join(unread.values()))
    if query is not None and store is None:
        raise UsageError("--baseline needs a season: name one with --season")
    if past is None:
        past = () if store is None else baseline(asked, store, runs, query)
    made = judge(
        runs,
        past,
        limits=asked.project.limits,
        settings=settings_of(asked),
        unsure=unsure,
        tolerance=Tolerance.of(asked.project.regression),
    )
    if left_out(store):
        made = replace(made, left_out=left_out(store), notes=(left_out(store), *made.notes))
    return made


def add_to_season(
    asked: Asked,
    words: Sequence[str],
    *,
    labels: dict[str, str | None],
    progress: Callable[[int], Callable[[int, int], None] | None] = lambda total: None,
    **how: Any,
) -> list[Added]:
    """Add logs, folders of logs and other seasons to the season; it is made if there is none.

    Parameters
    ----------
    asked : Asked
        How the logs are read, and which part of them is added.
    words : sequence of str
        Paths.
    labels : dict
        ``robot, version, label, time``: what stands in for those of the logs.
    progress : callable
        From the number of logs to what is told how many are done, of how many.
    **how
        ``replace, processes, scheduler`` as for `looptime.checks.season.adding.add_logs`.

    Raises
    ------
    UsageError
        If a time cannot be read, or a folder holds no logs.
    """
    from looptime.checks.recording.facts import parse_time
    from looptime.checks.season.adding import add_logs, add_season
    from looptime.checks.season.season import Season
    from looptime.checks.season.workers import Job
    from looptime.questions.doors import logs_in

    time = labels.get("time")
    if time is not None and parse_time(time) is None:
        raise UsageError(f"--time {time!r}: write it as 2026-03-01 or 2026-03-01T09:30")
    store = season(asked, create=True)
    settings = settings_of(asked, **{"robot": None, **labels})
    jobs, others = [], []
    for word in words:
        if Path(word).is_dir() and Season.is_season(word):
            others.append(Season(word))
        else:
            jobs += [Job(p, asked.parts, settings, asked.part_text) for p in logs_in([word])]
    results = [add_season(store, other, how.get("replace", False)) for other in others]
    if jobs:
        results.append(add_logs(store, jobs, progress=progress(len(jobs)), **how))
    return results


def stored(entry: Entry) -> dict[str, Any]:
    """All that is stored of a run; its histograms as a list: their keys are no text."""
    from looptime.analysers.estimate import to_json

    values: dict[str, Any] = to_json(replace(entry.values, histograms={}))
    values["histograms"] = [
        {"quantity": quantity, "name": name, "thread": thread, **to_json(counts)}
        for (quantity, name, thread), counts in sorted(entry.values.histograms.items())
    ]
    return {"entry": entry.name, "facts": to_json(entry.facts), "values": values}


def trends(store: Season, query: str = "") -> tuple[list[Trends], list[RobotSpread]]:
    """How pace and calls moved over a season's runs, and what its robots differ by."""
    from looptime.checks.season.trends import season_trends

    return season_trends(store, query or None)


def totals(entries: Sequence[Entry]) -> Totals:
    """The totals of all loops and calls of some stored runs."""
    from looptime.checks.season.merge import merged

    return merged([entry.values for entry in entries])


def baseline_lacks(store: Season) -> str:
    """How many runs a season's baseline lacks for a gate; empty where it has enough."""
    from looptime.checks.recording.scatter import LEAST_BASELINE

    held = sum(entry.baseline for entry in store.entries())
    few = held < LEAST_BASELINE
    return f"; a gate needs {LEAST_BASELINE}, there are {held} now" if few else ""
