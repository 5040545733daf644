"""Adding logs to a season: in this process, in several, or on a cluster; always the same bytes."""

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import field
from typing import Any

from looptime import files
from looptime.checks.recording.copies import copied, without_copies
from looptime.checks.recording.recording import Settings
from looptime.checks.season.season import Listed, Season
from looptime.checks.season.workers import Job, Measured, Pending, entries_of, file_hash, workers
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Added", "Job", "add_logs", "add_runs", "add_season"]

#: Logs under way at once, for each processor.
_AHEAD = 4


@dataclass
class Added:
    """What came of adding."""

    #: Names of entries that were stored now, and of those that were there already.
    new: list[str] = field(default_factory=list)
    known: list[str] = field(default_factory=list)
    #: By log: why it, or a run of it, was not added.
    errors: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)  #: What else a person should know
    #: Runs of each robot among them; those that name none under an empty name.
    robots: dict[str, int] = field(default_factory=dict)


def add_runs(season: Season, runs: Sequence[Run], settings: Settings | None = None) -> Added:
    """Add runs that are in memory.

    Examples
    --------
    >>> import tempfile, numpy as np
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.full(2000, 20_000_000)
    >>> run = Run(LoopColumns(np.arange(2000), np.cumsum(period) - period, period))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     season = Season(folder, create=True)
    ...     len(add_runs(season, [run]).new), len(add_runs(season, [run]).known)
    (1, 1)
    """
    added = Added()
    made, error = entries_of(runs, settings or Settings(), "", "")
    _store(season, added, "run", Measured(tuple(made), error), replace=False)
    return _with_robots(season, added)


def add_season(season: Season, other: Season, replace: bool = False) -> Added:
    """Add the entries of another season; older files are migrated, damaged ones reported."""
    from looptime.checks.season.entries import to_bytes

    added = Added()
    marks = []
    for at in other.entries():
        data = to_bytes(other.load(at.name))
        _store(season, added, at.name, Measured(((at.name, data),)), replace)
        marks += [at.name] if at.baseline else []
    added.errors |= other.damaged
    season.mark_baseline(marks)
    return _with_robots(season, added)


def add_logs(
    season: Season,
    jobs: Sequence[Job],
    *,
    processes: int | None = None,
    scheduler: str | None = None,
    replace: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Added:
    """Add logs; what is done is kept whatever happens later, and a second call goes on.

    The result does not depend on `processes` or `scheduler`: files are made from the log alone
    and stored in the order of `jobs`, so that of two logs of one run the first is kept.

    Parameters
    ----------
    season : Season
        Where to.
    jobs : sequence of Job
        What to read.
    processes : int, optional
        1 reads here; by default one process a processor where there are more than a few logs.
    scheduler : str, optional
        Address of a Dask scheduler, ``tcp://HOST:PORT``; its workers must see the same paths.
    replace : bool
        Whether to measure again what is already there.
    progress : callable, optional
        Called with how many logs are done, and how many there are.

    Raises
    ------
    SeasonError
        If the season cannot be written to, or the cluster went away.
    """
    added = Added()
    if left := season.clean():
        added.notes.append(f"{left} half-written files of an interrupted call were removed")
    jobs = _answering(jobs, added)
    todo = list(jobs) if replace else _skip_known(season, jobs, added)
    with workers(todo, processes, scheduler) as submit:
        for number, (job, measured) in enumerate(_in_turn(todo, submit), 1):
            _store(season, added, job.path, measured, replace)
            if progress is not None:
                progress(number, len(todo))
    return _with_robots(season, added)


def _with_robots(season: Season, added: Added) -> Added:
    """Say of what robots the runs are, and where those of one robot do not time the same calls."""
    names = {*added.new, *added.known}
    mine = [entry for entry in season.entries() if entry.name in names]  # index is up to date, too
    for entry in mine:
        robot = entry.facts.robot or ""
        added.robots[robot] = added.robots.get(robot, 0) + 1
    fresh = [entry for entry in mine if entry.name in set(added.new)]
    _, copies = without_copies(season.entries() if fresh else [], lambda e: e.told_apart)
    told = [c.facts.name for c, of in copies if {c.name, of.name} & set(added.new)]
    if told:
        said = copied(told, "another run", "other runs")
        added.notes.append(f"{said} of the season: trends and gate count it once")
    for robot in added.robots:
        own = [entry for entry in fresh if (entry.facts.robot or "") == robot]
        kinds = _kinds(season, own)
        if len(kinds) > 1:
            which = ", ".join(f"{len(kind)} as {kind[0]}" for kind in kinds[:4])
            added.notes.append(
                f"runs of {robot or 'a robot not named'} do not time the same calls ({which}): if "
                "they are of several robots, add each one's logs with --robot NAME --replace"
            )
    return added


def _kinds(season: Season, entries: Sequence[Listed]) -> list[list[str]]:
    """Runs by the calls that they time: alike where at least half of the names are shared."""
    kinds: list[tuple[set[Any], list[str]]] = []
    for entry in entries:
        calls = {call.name for call in season.load(entry.name, histograms=False).values.calls}
        for leader, runs in kinds:
            if 2 * len(calls & leader) >= len(calls | leader):
                runs.append(entry.facts.name)
                break
        else:
            kinds.append((calls, [entry.facts.name]))
    return sorted((runs for _, runs in kinds), key=len, reverse=True)


def _answering(jobs: Sequence[Job], added: Added) -> list[Job]:
    """Leave out files that never answer; the rest of such a folder gets little time."""
    silent: set[str] = set()
    good = []
    for job in jobs:
        folder = os.path.dirname(job.path)
        if files.answers(job.path, files.PATIENCE_S / (4 if folder in silent else 1)):
            good.append(job)
            continue
        silent.add(folder)
        added.errors[job.path] = f"{job.path}: {files.SILENT} and add it again"
    return good


def _skip_known(season: Season, jobs: Sequence[Job], added: Added) -> list[Job]:
    """Leave out the logs whose every run is in the season, without reading them."""
    by_log: dict[tuple[str, str], list[Any]] = {}
    for at in season.entries():
        by_log.setdefault((at.log_hash, at.part), []).append(at)
    todo = []
    for job in jobs:
        there = by_log.get((file_hash(job.path), job.part), []) if by_log else []
        if there and there[0].log_hash and len(there) == there[0].runs_in_log:
            added.known += [at.name for at in there]
        else:
            todo.append(job)
    return todo


def _store(season: Season, added: Added, source: str, measured: Measured, replace: bool) -> None:
    if measured.error:
        added.errors[source] = measured.error
    for name, data in measured.entries:
        if name in added.new or (name in season and not replace and name not in season.damaged):
            added.known.append(name)
            continue
        season.put(name, data)
        added.new.append(name)


def _in_turn(
    jobs: Sequence[Job], submit: Callable[[Job], Pending]
) -> Iterator[tuple[Job, Measured]]:
    """Results in the order of the jobs, with a bounded number of them under way."""
    ahead = _AHEAD * (os.cpu_count() or 1)
    under_way: deque[tuple[Job, Pending]] = deque()
    waiting = iter(jobs)
    for job in waiting:
        under_way.append((job, submit(job)))
        if len(under_way) >= ahead:
            first, pending = under_way.popleft()
            yield first, pending.result()
    while under_way:
        first, pending = under_way.popleft()
        yield first, pending.result()
