"""The logs that the dashboard offers: those in the folder, and those dropped onto the page.

A log is known by a key made from its content. The browser never names a path, so that no request
can ask for a file that is not offered, and a restarted server knows the same keys again.
"""

from __future__ import annotations

import os
import tempfile
import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import TYPE_CHECKING

import numpy as np

from looptime.errors import LogError, LooptimeError, UsageError
from looptime.project import Project
from looptime.questions.asked import Asked
from looptime.questions.doors import find_logs
from looptime.questions.stating import ColumnsTaken, columns
from looptime.run import Run
from looptime_dashboards.log_keys import (
    Hashing,
    content_of,
    digest,
    log_of,
    shown_name,
    size_text,
    written_at,
)
from looptime_dashboards.work import Pending, Work

if TYPE_CHECKING:
    from looptime.parsers.log import Log

__all__ = ["DROP_LIMIT", "Library", "Offered"]

#: Largest log that may be dropped onto the page [bytes].
DROP_LIMIT = 256 * 1024 * 1024
_KEPT_BYTES = 650 * 1024 * 1024
_MOST_LOGS = 2000
_MOST_DROPPED = 12


@dataclass(frozen=True)
class Offered:
    """One log on offer."""

    key: str  #: From its content, with the layout by which it is read where that was asked for
    name: str  #: How the page calls it: its path below the folder
    size: int  #: [bytes]
    changed: float  #: When the file was last written, since 1970 [s]
    dropped: bool = False  #: Whether it was dropped onto the page
    error: str = ""  #: Why it cannot be read, in one sentence; empty if it can, or was not tried
    growing: bool = False  #: Whether it is being written again since

    @property
    def content(self) -> str:
        """The part of the key that is made from its content."""
        return content_of(self.key)

    @property
    def layout(self) -> str:
        """The layout by which it is read, where that was asked for."""
        return log_of(self.key).partition(".")[2]


@dataclass(frozen=True)
class _Refused:
    """A log that was dropped and could not be read as it was."""

    name: str
    data: bytes
    error: LogError


class Library:
    """Watches a folder, reads logs when they are asked for, keeps the last ones in memory."""

    def __init__(self, folder: str | os.PathLike[str] | None, project: Project, work: Work) -> None:
        self.folder = None if folder is None else Path(folder).resolve()
        self.project = project
        self.version = 0
        self._work = work
        self._lock = threading.RLock()
        self._looking = threading.Lock()  # held by the one that looks; nobody waits for it
        self._offered: dict[str, Offered] = {}
        self._paths: dict[str, Path] = {}
        self._hashes: dict[tuple[str, int, int], str] = {}
        self._slow: dict[tuple[str, int, int], Hashing] = {}
        self._seen: dict[str, tuple[int, int]] = {}
        self._logs: dict[str, Log] = {}
        self._dropped: set[str] = set()
        self._refused: dict[str, _Refused] = {}  # by content, to be read otherwise
        self._now: dict[Path, str] = {}  # what each file is offered as
        self._was: dict[str, Path] = {}  # content that a file had before it was written again
        self._restless: tuple[str, ...] = ()
        self._moving: set[str] = set()
        self._scanned = 0.0
        #: Older logs of the folder that are not offered, since there are too many.
        self.left_out = 0

    def offered(self) -> list[Offered]:
        """The logs on offer: dropped ones first, then the newest."""
        with self._lock:
            found = list(self._offered.values())
        return sorted(found, key=lambda o: (not o.dropped, -o.changed, o.name))

    def being_written(self) -> tuple[str, ...]:
        """Names of logs that grow and were not seen at rest yet, which are not on offer."""
        return self._restless

    def name_of(self, path: str | os.PathLike[str]) -> str:
        """How a file of the folder is called on the pages."""
        return self._name(Path(path).resolve())

    def as_it_is(self, path: str | os.PathLike[str]) -> str:
        """Offer a log of the folder as it stands, though it is still being written; its key.

        Empty where it cannot be read.
        """
        place = Path(path)
        try:
            at = place.stat()
            key = self._key_of(place, (at.st_size, at.st_mtime_ns))
        except (OSError, TimeoutError):
            return ""
        with self._lock:
            if key not in self._offered:
                self._offered[key] = Offered(key, self.name_of(place), at.st_size, at.st_mtime)
                self._paths[key] = place
                self._follow_up(place, key)
                self.version += 1
        return self._offered[key].key

    def get(self, key: str) -> Offered | None:
        """What is offered under a key (of a log or of a run in it)."""
        return self._offered.get(content_of(key))

    def newest(self) -> str:
        """Key of the newest log that is not known to be bad; empty where there is none."""
        return next((o.key for o in self.offered() if not o.error), "")

    def grown(self, key: str) -> Offered | None:
        """What is offered now of a file that was written again since it had this key."""
        path = self._was.get(content_of(key))
        return None if path is None else self._offered.get(self._now.get(path, ""))

    def scan(self, least_s: float = 1.0) -> int:
        """Look for new, changed and removed logs; returns the version of the offer.

        Parameters
        ----------
        least_s : float [s]
            Do nothing if the last look is more recent than this.
        """
        with self._lock:
            if self.folder is None or time.monotonic() - self._scanned < least_s:
                return self.version
        if self._looking.acquire(blocking=False):
            try:
                self._look_through()
            finally:
                self._looking.release()
        return self.version

    def _look_through(self) -> None:
        first = not self._scanned
        self._scanned = time.monotonic()
        self._moving = set()
        files = self._newest_files()
        found: dict[str, tuple[Offered, Path]] = {}
        for file in files:
            one = self._look(Path(file), first)
            if one is not None:
                found.setdefault(one.key, (one, Path(file)))
        with self._lock:
            self._restless = tuple(sorted(self._moving))
            self._take_over(found)

    def _newest_files(self) -> list[str]:
        assert self.folder is not None
        try:
            files = find_logs(self.folder)
        except (UsageError, OSError):
            files = []
        self.left_out = max(len(files) - _MOST_LOGS, 0)
        if self.left_out:
            files = sorted(files, key=written_at, reverse=True)[:_MOST_LOGS]
        return [str(file) for file in files]

    def _look(self, path: Path, first: bool) -> Offered | None:
        """What a file is offered as; None while it is still being written."""
        try:
            real, at = path.resolve(), path.stat()
        except (OSError, RuntimeError):  # the latter for links that lead round in a ring
            return self._unread(path, "is a link to no file") if path.is_symlink() else None
        assert self.folder is not None
        if not real.is_relative_to(self.folder):  # a link that leads out of the folder
            return None
        if not S_ISREG(at.st_mode):
            what = "may not be read" if S_ISDIR(at.st_mode) else "is a pipe, a socket or a device"
            return self._unread(path, what)
        mark = (at.st_size, at.st_mtime_ns)
        settled = self._seen.get(str(path)) == mark or (
            first and abs(time.time() - at.st_mtime) > 2
        )
        self._seen[str(path)] = mark
        if not settled:  # one that grows stays as it was first seen until it rests
            known = self._offered.get(self._now.get(path, ""))
            if known is not None:
                return replace(known, growing=True)
            self._moving.add(self._name(path))
            return None
        try:
            key = self._key_of(path, mark)
        except TimeoutError:
            return self._unread(path, "does not answer: its disk or network is away")
        except OSError:
            return None
        return Offered(key, self._name(path), at.st_size, at.st_mtime)

    def _key_of(self, path: Path, mark: tuple[int, int]) -> str:
        place = (str(path), *mark)
        if place not in self._hashes:
            hashing = self._slow.get(place) or Hashing(path)
            if not hashing.done():
                self._slow[place] = hashing
                raise TimeoutError
            self._slow.pop(place, None)
            if hashing.error is not None:
                raise hashing.error
            self._hashes[place] = hashing.key
        return self._hashes[place]

    def _name(self, path: Path) -> str:
        assert self.folder is not None
        name = path.relative_to(self.folder) if path.is_relative_to(self.folder) else path.name
        return Path(name).as_posix()

    def _unread(self, path: Path, why: str) -> Offered:
        """What is offered of a file that is passed over: its name, and the reason."""
        name = self._name(path)
        return Offered(digest(os.fsencode(path)), name, 0, 0.0, error=f"{name}: {why}")

    def _take_over(self, found: dict[str, tuple[Offered, Path]]) -> None:
        before = {k: (o.name, o.changed) for k, o in self._offered.items()}
        for key in [k for k, o in self._offered.items() if not o.dropped and k not in found]:
            del self._offered[key], self._paths[key]
        for key, (one, path) in found.items():
            known = self._offered.get(key, one)
            self._offered[key] = replace(one, key=known.key, error=one.error or known.error)
            self._paths[key] = path
            self._follow_up(path, key)
        if before != {k: (o.name, o.changed) for k, o in self._offered.items()}:
            self.version += 1

    def _follow_up(self, path: Path, key: str) -> None:
        old = self._now.get(path)
        if old not in (None, key):
            self._was[str(old)] = path
        self._now[path] = key

    def drop(self, name: str, data: bytes, layout: str | None = None) -> str:
        """Read a log that was dropped onto the page, and keep it until the server ends.

        Parameters
        ----------
        name : str
            Its file name, for display only.
        data : bytes
            Its content.
        layout : str, optional
            The layout by which it is to be read.

        Returns
        -------
        str
            Its key.

        Raises
        ------
        LogError
            If it is too large or cannot be read.
        """
        shown = shown_name(name)
        if len(data) > DROP_LIMIT:
            raise LogError(f"is larger than {DROP_LIMIT >> 20} MiB: put it into the folder", shown)
        content = digest(data)
        key = content if layout is None else f"{content}.{layout}"
        suffix = "".join(c for c in "".join(Path(shown).suffixes)[-12:] if c.isalnum() or c == ".")
        with tempfile.TemporaryDirectory(prefix="looptime-drop-") as folder:
            path = Path(folder) / f"log{suffix}"
            path.write_bytes(data)
            try:
                log = Asked(self.project, layout=layout).read(str(path))
            except LogError as error:
                raise LogError(error.what, shown, error.line) from None
            except LooptimeError as error:
                raise LogError(str(error).replace(str(path), shown), shown) from None
        with self._lock:
            kept = tuple(replace(run, source=shown) for run in log.runs)
            self._keep(key, replace(log, path=shown, runs=kept))
            self._dropped.add(key)
            self._offered[content] = Offered(key, shown, len(data), self._latest(), dropped=True)
            self._limit_dropped()
            self.version += 1
        return key

    def take(self, name: str, data: bytes) -> str:
        """As `drop`, but what cannot be read is offered with the reason; returns its key."""
        try:
            return self.drop(name, data)
        except LogError as error:
            if len(data) > DROP_LIMIT:
                raise
            key, shown = digest(data), shown_name(name)
            with self._lock:
                self._refused[key] = _Refused(shown, data, error)
                self._offered[key] = Offered(
                    key, shown, len(data), self._latest(), True, str(error)
                )
                self._limit_dropped()
                self.version += 1
            return key

    def _latest(self) -> float:
        """Now, or when the last log was dropped if the clock was set back since."""
        return max([time.time(), *(o.changed for o in self._offered.values() if o.dropped)])

    def _limit_dropped(self) -> None:
        mine = [o for o in self._offered.values() if o.dropped]
        for content in list(self._refused)[:-1]:  # each may be large: the last is kept
            del self._refused[content]
        for old in sorted(mine, key=lambda o: o.changed)[:-_MOST_DROPPED]:
            self._refused.pop(old.content, None)
            self._dropped.discard(old.key)
            self._logs.pop(old.key, None)
            del self._offered[old.content]

    def log(self, key: str, patience_s: float | None = None) -> Log:
        """The log of a key, read in the background if it is not at hand.

        Raises
        ------
        Pending
            While it is being read.
        LooptimeError
            If it is not on offer, or cannot be read.
        """
        key, content = log_of(key), content_of(key)
        with self._lock:
            if key in self._logs:
                log = self._logs.pop(key)
                self._logs[key] = log  # the one used last is forgotten last
                return log
            path, offered = self._paths.get(content), self._offered.get(content)
            refused = self._refused.get(content)
        if refused is not None:
            return self._read_refused(key, refused)
        if offered is not None and offered.error and not offered.changed:  # passed over
            raise UsageError(offered.error)
        if path is None or offered is None:
            now = self.grown(key)
            if now is not None:
                raise UsageError(f"{now.name} was written again since: open it as it is now")
            raise UsageError("this log is not here: it was changed or taken away; choose another")
        text = f"Reading {offered.name} ({size_text(offered.size)})"
        try:
            return self._work.get(
                ("read", key), lambda: self._read(key, path, offered), text, patience_s
            )
        except Pending as pending:
            if pending.share is None or pending.share < 1:
                raise
            raise Pending(f"{offered.name} is read; its loops are being put in order") from None

    def _read_refused(self, key: str, refused: _Refused) -> Log:
        """A log that was dropped and refused, by the layout that was chosen since."""
        layout = key.partition(".")[2]
        if not layout:
            raise refused.error
        self.drop(refused.name, refused.data, layout)
        with self._lock:
            self._refused.pop(content_of(key), None)
            return self._logs[key]

    def columns(self, key: str) -> ColumnsTaken:
        """What the columns of a log in the folder are taken for.

        Raises
        ------
        Pending
            While it is being worked out.
        LooptimeError
            If the log is not in the folder, or cannot be read.
        """
        content, _, layout = log_of(key).partition(".")
        path, offered = self._paths.get(content), self._offered.get(content)
        if path is None or offered is None:
            raise UsageError("what columns are taken for is told of logs in the folder: put this "
                             "one there")  # fmt: skip

        def make() -> ColumnsTaken:
            try:
                return columns(Asked(self.project, layout=layout or None), str(path))
            except LogError as error:
                raise LogError(error.what, offered.name, error.line) from None

        return self._work.get(("columns", log_of(key)), make, "Looking at the columns", 0.5)

    def _read(self, key: str, path: Path, offered: Offered) -> Log:
        content, _, layout = key.partition(".")
        tell = self._work.tell(("read", key))
        try:
            log = Asked(self.project, layout=layout or None).read(str(path), tell)
        except LooptimeError as reason:
            error = reason
            if isinstance(reason, LogError):  # under the name by which it is offered
                error = LogError(reason.what, offered.name, reason.line)
            with self._lock:
                known = self._offered.get(content)
                if known is not None and known.key == key:
                    self._offered[content] = replace(known, error=str(error))
                    self.version += 1
            raise error from None
        with self._lock:
            self._keep(key, log)
            if layout and content in self._offered:  # from now on it is read so
                self._offered[content] = replace(self._offered[content], key=key, error="")
                self.version += 1
        # kept by the library within its limit of memory, not twice
        threading.Timer(0.5, lambda: self._work.drop(lambda k: k == ("read", key))).start()
        return log

    def _keep(self, key: str, log: Log) -> None:
        self._logs[key] = log
        total = 0
        for other in reversed(list(self._logs)):
            total += _bytes_of(self._logs[other])
            if total > _KEPT_BYTES and other != key and other not in self._dropped:
                del self._logs[other]

    def run(self, key: str) -> Run:
        """The run of a key: of a log that holds several, the longest unless a number is given."""
        log = self.log(key)
        _, dash, number = key.partition("-")
        if dash:
            place = int(number)
            if place >= len(log.runs):
                raise UsageError("this run is not in the log: choose another")
            return log.runs[place]
        return max(log.runs, key=len)

    def at_hand(self, key: str) -> Log | None:
        """The log of a key where it is in memory; nothing is read for it."""
        return self._logs.get(log_of(key))

    def folder_of(self, key: str) -> Path | None:
        """The folder in which a log lies; None where it was dropped, or is not here."""
        content = content_of(key)
        path = self._paths.get(content) or self._was.get(content)
        return None if path is None else path.parent

    def file_of(self, key: str) -> tuple[str, int]:
        """A log's file name, and which of its runs is meant, from 1."""
        content = content_of(key)
        path = self._paths.get(content) or self._was.get(content)
        log, (_, dash, place) = self._logs.get(log_of(key)), key.partition("-")
        number = int(place) if dash else 0
        if log is not None and not dash:
            number = max(range(len(log.runs)), key=lambda k: len(log.runs[k]))
        return "" if path is None else path.name, number + 1

    def runs_in(self, key: str) -> int:
        """How many runs a log holds; 1 where it is not read yet."""
        log = self._logs.get(log_of(key))
        return 1 if log is None else len(log.runs)


def _bytes_of(log: Log) -> int:
    total = 0
    for run in log.runs:
        for table in (run.loop_columns, run.call_columns):
            total += sum(v.nbytes for v in vars(table).values() if isinstance(v, np.ndarray))
    return total
