"""Adding logs to a season: in this process, in several, or on a cluster; always the same bytes."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from looptime.analysers.part import part
from looptime.checks.recording import Settings, content_hash, record
from looptime.checks.season import Season, SeasonError
from looptime.checks.values import measure
from looptime.errors import LooptimeError, UsageError
from looptime.project import Project
from looptime.run import Run

__all__ = [
    "Added",
    "Job",
    "LogReader",
    "add_logs",
    "add_runs",
    "add_season",
    "find_logs",
    "measure_log",
]

Reader = Callable[[str], Sequence[Run]]

_SUFFIXES = {".csv", ".tsv", ".txt", ".log", ".gz", ".zst"}
#: Logs under which starting further processes takes longer than it saves.
_FEW = 4
_AHEAD = 4


@dataclass(frozen=True)
class LogReader:
    """Reads a log and takes the part that is asked for; can be sent to another process.

    Parameters
    ----------
    project : Project or None
        Labels and reading options of ``looptime.toml``.
    unit, layout, columns, loop_call : str or None
        As in `looptime.parsers.read.read_log`.
    phase, from_s, to_s, where
        As in `looptime.analysers.part.part`.
    """

    project: Project | None = None
    unit: str | None = None
    layout: str | None = None
    columns: str | None = None
    loop_call: str | None = None
    phase: str | None = None
    from_s: float | None = None
    to_s: float | None = None
    where: str | None = None

    def __call__(self, path: str) -> list[Run]:
        """The runs of a log.

        Raises
        ------
        LogError
            If the log cannot be read as it stands.
        UsageError
            If a run has no such part.
        """
        from looptime.parsers.read import read_log

        log = read_log(
            path, project=self.project, unit=self.unit, layout=self.layout,
            columns=self.columns, loop_call=self.loop_call,
        )  # fmt: skip
        return [part(run, self.phase, self.from_s, self.to_s, self.where) for run in log.runs]

    @property
    def part(self) -> str:
        """The part in words, for example ``phase=transport``; empty for the whole log."""
        asked = {"phase": self.phase, "from": self.from_s, "to": self.to_s, "where": self.where}
        return " ".join(f"{key}={value}" for key, value in asked.items() if value is not None)


@dataclass(frozen=True)
class Job:
    """One log to be read and measured.

    Parameters
    ----------
    path : str
    reader : callable
        From a path to its runs: a `LogReader`, or a function of a module.
    settings : Settings
    part : str
        What part of the log the reader selects, in words; stored with the entries.
    """

    path: str
    reader: Reader
    settings: Settings
    part: str = ""


@dataclass
class Added:
    """What came of adding.

    Parameters
    ----------
    new, known : list of str
        Names of entries that were stored now, and of those that were there already.
    errors : dict of str to str
        By log: why it, or a run of it, was not added.
    notes : list of str
        What else a person should know.
    """

    new: list[str] = field(default_factory=list)
    known: list[str] = field(default_factory=list)
    errors: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """What ``season add --json`` gives."""
        return {"new": self.new, "known": self.known, "errors": self.errors, "notes": self.notes}


@dataclass(frozen=True)
class _Measured:
    entries: tuple[tuple[str, bytes], ...] = ()
    error: str = ""


class _Pending(Protocol):
    def result(self) -> _Measured: ...


def find_logs(folder: str | Path) -> list[str]:
    """The logs in a folder and below it, in name order; hidden ones and seasons left out.

    Raises
    ------
    UsageError
        If there are none.
    """
    root = Path(folder)
    found = []
    for here, folders, files in os.walk(root):
        folders[:] = sorted(
            f for f in folders if not f.startswith(".") and not Season.is_season(Path(here, f))
        )
        for name in sorted(files):
            if not name.startswith(".") and Path(name).suffix.lower() in _SUFFIXES:
                found.append(str(Path(here, name)))
    if not found:
        raise UsageError(f"{root}: holds no logs ({', '.join(sorted(_SUFFIXES))})")
    return found


def _file_hash(path: str) -> str:
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:  # the reader says what is wrong, better than this could
        return ""


def _entries(
    runs: Sequence[Run], settings: Settings, log_hash: str, part: str
) -> tuple[list[tuple[str, bytes]], str]:
    """Files of all runs of a log; and why one was left out."""
    from looptime.checks.entries import Entry, to_bytes

    made, error = [], ""
    for run in runs:
        try:
            values = measure(record(run, settings).series())
        except LooptimeError as problem:
            error = str(problem)
            continue
        name = content_hash(run)
        made.append((name, to_bytes(Entry(name, values, log_hash, part, len(runs)))))
    return made, error


def measure_log(job: Job) -> _Measured:
    """Read a log and make the files of its entries; what other processes do."""
    try:
        runs = job.reader(job.path)
        made, error = _entries(runs, job.settings, _file_hash(job.path), job.part)
    except LooptimeError as problem:
        return _Measured(error=str(problem))
    except (OSError, MemoryError) as problem:
        return _Measured(error=f"{job.path}: cannot be read: {problem}")
    return _Measured(tuple(made), error)


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
    made, error = _entries(runs, settings or Settings(), "", "")
    _store(season, added, "run", _Measured(tuple(made), error), replace=False)
    return added


def add_season(season: Season, other: Season, replace: bool = False) -> Added:
    """Add the entries of another season; older files are migrated, damaged ones reported."""
    from looptime.checks.entries import to_bytes

    added = Added()
    marks = []
    for at in other.entries():
        data = to_bytes(other.load(at.name))
        _store(season, added, at.name, _Measured(((at.name, data),)), replace)
        marks += [at.name] if at.baseline else []
    added.errors |= other.damaged
    season.mark_baseline(marks)
    return added


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
    todo = list(jobs) if replace else _skip_known(season, jobs, added)
    with _workers(todo, processes, scheduler) as submit:
        for number, (job, measured) in enumerate(_in_turn(todo, submit), 1):
            _store(season, added, job.path, measured, replace)
            if progress is not None:
                progress(number, len(todo))
    season.entries()  # brings the index up to date
    return added


def _skip_known(season: Season, jobs: Sequence[Job], added: Added) -> list[Job]:
    """Leave out the logs whose every run is in the season, without reading them."""
    by_log: dict[tuple[str, str], list[Any]] = {}
    for at in season.entries():
        by_log.setdefault((at.log_hash, at.part), []).append(at)
    todo = []
    for job in jobs:
        there = by_log.get((_file_hash(job.path), job.part), []) if by_log else []
        if there and there[0].log_hash and len(there) == there[0].runs_in_log:
            added.known += [at.name for at in there]
        else:
            todo.append(job)
    return todo


def _store(season: Season, added: Added, source: str, measured: _Measured, replace: bool) -> None:
    if measured.error:
        added.errors[source] = measured.error
    for name, data in measured.entries:
        if name in added.new or (name in season and not replace and name not in season.damaged):
            added.known.append(name)
            continue
        season.put(name, data)
        added.new.append(name)


def _in_turn(
    jobs: Sequence[Job], submit: Callable[[Job], _Pending]
) -> Iterator[tuple[Job, _Measured]]:
    """Results in the order of the jobs, with a bounded number of them under way."""
    ahead = _AHEAD * (os.cpu_count() or 1)
    under_way: deque[tuple[Job, _Pending]] = deque()
    waiting = iter(jobs)
    for job in waiting:
        under_way.append((job, submit(job)))
        if len(under_way) >= ahead:
            first, pending = under_way.popleft()
            yield first, pending.result()
    while under_way:
        first, pending = under_way.popleft()
        yield first, pending.result()


class _Here:
    """Work that is done when its result is asked for, in this process."""

    def __init__(self, job: Job) -> None:
        self.job = job

    def result(self) -> _Measured:
        return measure_log(self.job)


class _Pool:
    """Processes that read logs; a log whose process dies twice is given up, the others go on."""

    def __init__(self, processes: int) -> None:
        self.processes = processes
        self.executor = self._start()

    def _start(self) -> ProcessPoolExecutor:
        # spawn on every system: forking a process that has threads is not safe
        return ProcessPoolExecutor(self.processes, multiprocessing.get_context("spawn"))

    def submit(self, job: Job) -> _InPool:
        return _InPool(self, job)


class _InPool:
    def __init__(self, pool: _Pool, job: Job) -> None:
        self.pool, self.job = pool, job
        self.executor = pool.executor
        self.future = self._send()

    def _send(self) -> Any:
        try:
            return self.executor.submit(measure_log, self.job)
        except BrokenProcessPool:
            return None

    def result(self) -> _Measured:
        try:
            if self.future is not None:
                return self.future.result()  # type: ignore[no-any-return]
        except BrokenProcessPool:
            pass
        # a process died, perhaps through another log: this one is tried again by itself
        alone = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"))
        try:
            return alone.submit(measure_log, self.job).result()
        except BrokenProcessPool:
            return _Measured(error=f"{self.job.path}: the process that read it died: try it alone")
        finally:
            alone.shutdown(wait=False, cancel_futures=True)
            if self.pool.executor is self.executor:
                self.executor.shutdown(wait=False, cancel_futures=True)
                self.pool.executor = self.pool._start()


@contextmanager
def _workers(
    jobs: Sequence[Job], processes: int | None, scheduler: str | None
) -> Iterator[Callable[[Job], _Pending]]:
    if scheduler is not None:
        with _cluster(scheduler) as submit:
            yield submit
        return
    wanted = (os.cpu_count() or 1) if processes is None else processes
    if processes is None and len(jobs) <= _FEW:
        wanted = 1
    wanted = min(wanted, len(jobs))
    if wanted <= 1:
        yield _Here
        return
    pool = _Pool(wanted)
    try:
        yield pool.submit
    finally:
        pool.executor.shutdown(wait=True, cancel_futures=True)


class _OnCluster:
    def __init__(self, future: Any, path: str, client: Any) -> None:
        self.future, self.path, self.client = future, path, client

    def result(self) -> _Measured:
        from distributed import KilledWorker

        try:
            return self.future.result()  # type: ignore[no-any-return]
        except KilledWorker:
            return _Measured(error=f"{self.path}: the workers that read it died: try it alone")


@contextmanager
def _cluster(address: str) -> Iterator[Callable[[Job], _Pending]]:
    try:
        from distributed import Client
        from distributed.client import FutureCancelledError
        from distributed.comm import CommClosedError
    except ImportError as error:
        raise UsageError(
            "--scheduler needs the extra `cluster`: pip install 'looptime[cluster]'"
        ) from error
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise SeasonError(
            f"{address}: no scheduler answers there: start it, or leave --scheduler away"
        ) from error
    try:
        yield lambda job: _OnCluster(client.submit(measure_log, job, pure=False), job.path, client)
    except (FutureCancelledError, CommClosedError, TimeoutError) as error:
        raise SeasonError(
            f"{address}: the scheduler went away: what was done is kept, add again to go on"
        ) from error
    finally:
        client.close(timeout=2)
