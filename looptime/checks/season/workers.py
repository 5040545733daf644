"""Reading and measuring logs: here, in further processes, or on a cluster."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, Protocol

from looptime.checks.recording.figures import measure
from looptime.checks.recording.recording import Settings, content_hash, record
from looptime.checks.season.season import SeasonError
from looptime.errors import LogError, LooptimeError, UsageError
from looptime.parsers.text.source import open_bytes
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Job", "Measured", "Pending", "entries_of", "file_hash", "measure_log", "workers"]

Reader = Callable[[str], Sequence[Run]]

#: Parameters of the C library's memory: what is freed at the end, or is large, goes back to the
#: system beyond so many bytes; how many are kept while a log is read, and the usual limit.
_TRIM, _MMAP, _KEPT, _MMAP_USUAL = -1, -3, 32 << 20, 128 << 10
#: Bytes of a log that are hashed at a time: what stays in the processor's cache.
_READ = 1 << 16
#: Logs under which starting further processes takes longer than it saves.
_FEW = 4


@dataclass(frozen=True)
class Job:
    """One log to be read and measured."""

    path: str
    reader: Reader  #: From a path to its runs: a bound `Asked.parts`, or a function of a module
    settings: Settings
    part: str = ""  #: What part of the log the reader selects, in words; stored with the entries


@dataclass(frozen=True)
class Measured:
    """Files of the entries that a log gave, by name, and why one is missing."""

    entries: tuple[tuple[str, bytes], ...] = ()
    error: str = ""


class Pending(Protocol):
    """Work that is under way."""

    def result(self) -> Measured:
        """What came of it; waits until it is done."""
        ...


def file_hash(path: str) -> str:
    """SHA-256 of a file's bytes; empty where it cannot be read."""
    try:
        made = hashlib.sha256()
        with open_bytes(path) as file:
            while piece := file.read(_READ):
                made.update(piece)
        return made.hexdigest()
    except (OSError, LogError):  # the reader says what is wrong, better than this could
        return ""


def entries_of(
    runs: Sequence[Run], settings: Settings, log_hash: str, part: str
) -> tuple[list[tuple[str, bytes]], str]:
    """Files of all runs of a log; and why one was left out."""
    from looptime.checks.season.entries import Entry, to_bytes

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


def measure_log(job: Job) -> Measured:
    """Read a log and make the files of its entries; what other processes do."""
    try:
        runs = job.reader(job.path)
        made, error = entries_of(runs, job.settings, file_hash(job.path), job.part)
    except LooptimeError as problem:
        return Measured(error=str(problem))
    except Exception as problem:  # one log must not stop a season
        kind = type(problem).__name__
        return Measured(error=f"{job.path}: cannot be measured ({kind}): {problem}".splitlines()[0])
    return Measured(tuple(made), error)


def _on_a_worker(job: Job) -> Measured:
    """The same on a cluster's worker, which is told to give memory back as soon as it is freed.

    Each array of the next log then has its pages cleared anew, a quarter of all the time: for as
    long as a log is read, the C library is told to keep what is freed.
    """
    told = os.environ.get("MALLOC_TRIM_THRESHOLD_", "")
    try:
        import ctypes

        tell = ctypes.CDLL(None).mallopt
    except (ImportError, OSError, AttributeError, TypeError):  # of another C library
        return measure_log(job)
    if not told.isdecimal():
        return measure_log(job)
    tell(_TRIM, _KEPT)
    tell(_MMAP, _KEPT)
    try:
        return measure_log(job)
    finally:
        tell(_MMAP, _MMAP_USUAL)
        tell(_TRIM, int(told))


class _Here:
    """Work that is done when its result is asked for, in this process."""

    def __init__(self, job: Job) -> None:
        self.job = job

    def result(self) -> Measured:
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

    def result(self) -> Measured:
        try:
            if self.future is not None:
                return self.future.result()
        except BrokenProcessPool:
            pass
        # a process died, perhaps through another log: this one is tried again by itself
        alone = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"))
        try:
            return alone.submit(measure_log, self.job).result()
        except BrokenProcessPool:
            return Measured(error=f"{self.job.path}: the process that read it died: try it alone")
        finally:
            alone.shutdown(wait=False, cancel_futures=True)
            if self.pool.executor is self.executor:
                self.executor.shutdown(wait=False, cancel_futures=True)
                self.pool.executor = self.pool._start()


@contextmanager
def workers(
    jobs: Sequence[Job], processes: int | None, scheduler: str | None
) -> Iterator[Callable[[Job], Pending]]:
    """Start what reads the logs, and end it: gives a function that takes a job in hand.

    Raises
    ------
    SeasonError
        If the cluster does not answer, or goes away.
    """
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
    def __init__(self, job: Job, client: Any, address: str) -> None:
        self.path, self.address, self.client = job.path, address, client
        with _asking(address):
            self.future = client.submit(_on_a_worker, job, pure=False)

    def result(self) -> Measured:
        from distributed import KilledWorker

        with _asking(self.address):
            try:
                return self.future.result()
            except KilledWorker:
                return Measured(error=f"{self.path}: the workers that read it died: try it alone")


@contextmanager
def _asking(address: str) -> Iterator[None]:
    """Whatever a cluster raises is the cluster's: of a log's faults its ``Measured`` tells."""
    from distributed.client import ClosedClientError, FutureCancelledError

    try:
        yield
    except (FutureCancelledError, ClosedClientError, OSError) as error:
        raise SeasonError(
            f"{address}: the scheduler went away: what was done is kept, add again to go on"
        ) from error
    except Exception as error:
        raise SeasonError(
            f"{address}: a worker cannot do the work ({type(error).__name__}): "
            "give its workers the same packages as here, or leave --scheduler away"
        ) from error


@contextmanager
def _cluster(address: str) -> Iterator[Callable[[Job], Pending]]:
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            "--scheduler needs the extra cluster: pip install 'looptime[cluster]'"
        ) from error
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise SeasonError(
            f"{address}: no scheduler answers there: start it, or leave --scheduler away"
        ) from error
    try:
        yield lambda job: _OnCluster(job, client, address)
    finally:
        client.close(timeout=2)
