"""A log that grows while a robot runs, asked again and again."""

import os
import select
import sys
import time
from collections.abc import Callable
from pathlib import Path

from looptime.analysers.live import Live, Minute, Tally, broken_limits
from looptime.errors import UsageError
from looptime.files import SILENT, answers
from looptime.parsers.follow import Follower, GrowingFile
from looptime.parsers.log import Log
from looptime.questions.asked import Asked
from looptime.questions.doors import STANDARD_INPUT, find_logs
from looptime.run import Run

__all__ = ["Live", "Minute", "Watch", "broken_limits", "watch"]

#: Ends of the names of logs that are packed, to which no program adds rows.
_PACKED = (".gz", ".zst")
#: A file in which nothing can be read is passed over when it was not written for so long [s].
_RESTS_S = 5.0


class Piped:
    """The standard input as it comes; `ended` once the other side has closed it."""

    share = 1.0  # nobody knows how much is to come

    def __init__(self) -> None:
        self.ended = False
        self._file = sys.stdin.buffer.fileno()

    def more(self) -> tuple[bytes, str]:
        """What has come by now."""
        out = []
        while select.select([self._file], [], [], 0)[0]:
            data = os.read(self._file, 1 << 16)
            if not data:
                self.ended = True
                break
            out.append(data)
        return b"".join(out), ""


class Watch:
    """A growing log, and what is known of it.

    Parameters
    ----------
    asked : Asked
        How logs are read, and the budget.
    word : str
        A file, a folder whose newest log is followed, or ``-``.

    Raises
    ------
    UsageError
        If there is no such file or folder, it does not answer, or is a pipe or a device.
    """

    def __init__(self, asked: Asked, word: str) -> None:
        self.asked, self.word = asked, word
        self.piped = Piped() if word == STANDARD_INPUT else None
        if self.piped is None and not os.path.exists(word):
            raise UsageError(f"{word}: there is no such file or folder, or it may not be read")
        if self.piped is None and not (os.path.isfile(word) or os.path.isdir(word)):
            raise UsageError(f"{word}: is a pipe or a device: looptime watch - < {word}")
        #: Files of the folder that hold no log, and when they were written then.
        self._no_logs: dict[str, int] = {}
        self.path = self._newest()
        if self.piped is None and not answers(self.path, whole=False):
            raise UsageError(f"{self.path}: {SILENT}")
        self._follow()

    def _newest(self) -> str:
        if self.piped is not None or not Path(self.word).is_dir():
            return self.word
        named = find_logs(self.word)
        found = [path for path in named if os.path.isfile(path)] or named
        growing = [path for path in found if not path.lower().endswith(_PACKED)]
        logs = [path for path in growing if self._no_logs.get(path) != _written(path)]
        return max(logs or growing or found, key=_written)

    def _follow(self) -> None:
        self.tally = Tally(self.asked.budget_ms)
        self._source = self.piped or GrowingFile(self.path)
        self._follower = Follower(self._source, reader(self.asked))

    @property
    def ended(self) -> bool:
        """Whether nothing more can come."""
        return self.piped is not None and self.piped.ended

    @property
    def share(self) -> float:
        """Part of the file that was read on by now."""
        return self._source.share

    def minute(self) -> Minute:
        """The loops of the last minute, and what calls took in them, as of the last look."""
        return self.tally.minute()

    def look(self) -> tuple[Live, str]:
        """Read on; what is known by now, and what a person should be told."""
        told = ""
        if self.piped is None and Path(self.word).is_dir() and (new := self._newest()) != self.path:
            newer = _written(new) > _written(self.path)
            self.path, told = new, f"{'a newer' if newer else 'another'} log: {new}"
            self._follow()
        grown = self._follower.look()
        if "from its start" in grown.told:
            self.tally = Tally(self.asked.budget_ms)
        for run in grown.runs:
            self.tally.add(self.asked.part(run) if self.asked.where else run)
        live = self.tally.live()
        if (
            grown.told and not live.loops and _rests(self.path)
        ):  # what is being written may become one
            self._no_logs[self.path] = _written(self.path)
        return live, told or grown.told


def _written(path: str) -> int:
    try:
        return Path(path).stat().st_mtime_ns
    except OSError:  # it was taken away meanwhile
        return 0


def _rests(path: str) -> bool:
    """Whether a file was not written for some seconds."""
    return time.time() - _written(path) / 1e9 > _RESTS_S


def reader(asked: Asked) -> Callable[[str, Run | None], Log]:
    """How a piece of a growing log is read: as the first piece was."""

    def read(path: str, known: Run | None) -> Log:
        now = asked.but(cache=False)
        if known is not None:
            unit = None if known.clock.unit_from in ("header", "log") else known.clock.unit
            now = now.but(layout=now.layout or known.layout or None, unit=now.unit or unit)
        return now.read(path)

    return read


def watch(asked: Asked, word: str) -> Watch:
    """Begin to watch a log; see `Watch`."""
    return Watch(asked, word)
