"""A log that grows, read on where reading stopped."""

import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np

from looptime.errors import LogError
from looptime.files import open_plain
from looptime.parsers.log import Log
from looptime.records import dataclass
from looptime.run import Run

__all__ = ["Follower", "Growing", "GrowingFile", "Grown"]

#: Rows that no loop was found in are kept waiting up to so many bytes.
_MOST_WAITING = 4 << 20
#: A piece begins at most so many usual loops before the last one that was read.
_OVERLAP = 5
#: At most so much is read at once, so that a long file is shown as it comes.
_MOST_AT_ONCE = 8 << 20


class Growing(Protocol):
    """Bytes that become more."""

    def more(self) -> tuple[bytes, str]:
        """What came since the last call, and what a person should be told, else empty."""


class GrowingFile:
    """A file that a program still writes; one that is cut or replaced is read anew.

    Parameters
    ----------
    path : path-like
        The file; it need not be there yet.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self._at = 0
        self._which: tuple[int, int] | None = None

    @property
    def share(self) -> float:
        """Part of the file that was read, as it is now; 1 where it is not there."""
        try:
            size = self.path.stat().st_size
        except OSError:
            return 1.0
        return min(self._at / size, 1.0) if size else 1.0

    def more(self) -> tuple[bytes, str]:
        """What came since the last call, and whether the file was cut or replaced."""
        told = ""
        try:
            with open_plain(self.path) as file:
                about = os.fstat(file.fileno())
                which = (about.st_dev, about.st_ino)
                if self._which is not None and which != self._which:
                    told, self._at = "the file was replaced: reading it from its start", 0
                elif about.st_size < self._at:
                    told, self._at = "the file was cut: reading it from its start", 0
                self._which = which
                file.seek(self._at)
                data = file.read(_MOST_AT_ONCE)
        except FileNotFoundError:
            return b"", "" if self._which is None else "the file is gone"
        except OSError as error:
            return b"", f"cannot be read: {error.strerror}"
        self._at += len(data)
        return data, told


@dataclass(frozen=True)
class Grown:
    """What a look at a growing log brought."""

    #: Whole loops that were not there before, in order; more than one where the clock began anew in
    #: between.
    runs: tuple[Run, ...] = ()
    #: What a person should know: a file that was cut, rows in which no loop was found.
    told: str = ""


class Follower:
    """Reads on in a growing log: no row is parsed more often than it takes to end its loop.

    The lines before the first loop (header, comments, banner) are kept and stand before every
    further piece, so that each piece is read as the log was; what the first piece told of layout
    and unit is handed to `read`.

    Parameters
    ----------
    growing : Growing
        Where bytes come from.
    read : callable
        From a file, and a run that was read before or None, to a log. It must not keep copies.
    """

    def __init__(self, growing: Growing, read: Callable[[str, Run | None], Log]) -> None:
        self._growing, self._read = growing, read
        self._begin()

    def _begin(self) -> None:
        self._head: list[bytes] = []
        self._waiting: list[bytes] = []
        self._rest = b""
        self._known: Run | None = None
        self._last_ns: int | None = None
        self._last_number = 0

    def look(self) -> Grown:
        """What is new since the last look."""
        data, told = self._growing.more()
        if "from its start" in told:
            self._begin()
        *lines, self._rest = (self._rest + data).splitlines(keepends=True) or [b""]
        if self._rest.endswith((b"\n", b"\r")):
            lines, self._rest = [*lines, self._rest], b""
        if not lines:
            return Grown(told=told)
        self._waiting += lines
        try:
            log = self._parsed()
        except LogError as error:
            if sum(map(len, self._waiting)) > _MOST_WAITING:
                self._waiting = []
            # without its path, which is that of a piece in a folder of its own
            return Grown(told=told or (error.what if self._known is None else ""))
        return Grown(tuple(self._new(log.runs)), told)

    def _parsed(self) -> Log:
        """The lines that wait, read as a log of their own; what is not ended waits on."""
        with tempfile.TemporaryDirectory(prefix="looptime-") as folder:
            piece = Path(folder, "growing.csv")
            piece.write_bytes(b"".join([*self._head, *self._waiting]))
            log = self._read(str(piece), self._known)
        first, last = log.runs[0].loop_columns.line, log.runs[-1].loop_columns.line
        if first is None or last is None or not len(first) or not len(last):
            raise LogError("tells no lines of its loops", "")
        whole = [*self._head, *self._waiting]
        if self._known is None:
            self._head = whole[: int(first[0]) - 1]
            self._known = log.runs[0]
        # the last whole loop is read again: its end is where the next one begins
        self._waiting = whole[int(last[-1]) - 1 :]
        return log

    @staticmethod
    def _goes_on(run: Run, known: int) -> bool:
        """Whether a run begins at the loop that was read last, or a loop or two before it."""
        at = run.loop_columns
        ahead = known - int(at.start_ns[0])
        return 0 <= ahead <= _OVERLAP * float(np.median(at.period_ns))

    def _new(self, runs: Sequence[Run]) -> list[Run]:
        """The loops of a piece that were not handed on before."""
        out = []
        for place, run in enumerate(runs):
            start = run.loop_columns.start_ns
            known = self._last_ns if place == 0 else None
            if known is not None and len(start) and not self._goes_on(run, known):
                known = None  # the clock was set: nothing of this was seen
            fresh = np.ones(len(run), bool) if known is None else start > known
            if fresh.any():
                on = run if known is None else self._numbered_on(run, known)
                out.append(replace(on.select(fresh), source=""))
                self._last_ns = int(start[-1])
                self._last_number = int(on.loop_columns.loop[-1])
        return out

    def _numbered_on(self, run: Run, known: int) -> Run:
        """A piece in which the loop that was read last has the number that it had then.

        Logged numbers are the same in both; where the log has none, each piece counts from 0.
        """
        at = run.loop_columns
        again = int(np.searchsorted(at.start_ns, known, side="right")) - 1
        off = self._last_number - int(at.loop[again])
        return replace(run, loop_columns=replace(at, loop=at.loop + off)) if off else run
