"""A log that grows while a robot runs, asked again and again."""

import os
import select
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from looptime.analysers.live import Live, Minute, Tally, broken_limits
from looptime.errors import LooptimeError, UsageError
from looptime.files import SILENT, answers, open_plain
from looptime.parsers.follow import Follower, GrowingFile
from looptime.parsers.log import Log
from looptime.questions.asked import Asked
from looptime.questions.doors import STANDARD_INPUT, find_logs
from looptime.run import Run

__all__ = ["Live", "Minute", "Watch", "broken_limits", "growing_of", "watch"]

#: Ends of the names of logs that are packed, to which no program adds rows.
_PACKED = (".gz", ".zst")
#: By so many bytes of its beginning a file is known to hold loops.
_BEGIN = 1 << 18
#: So many files of a folder are tried at most for one look.
_TRIED = 40


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
        A file, ``-``, or a folder: its newest file in which loops can be read is followed.

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
        self._readable = _Readable(asked)
        self.passed = ""  #: The newest file of the folder, where no loop can be read in it
        self.path = self._newest()
        if self.piped is None and not answers(self.path, whole=False):
            raise UsageError(f"{self.path}: {SILENT}")
        self._follow()

    def _newest(self) -> str:
        if self.piped is not None or not Path(self.word).is_dir():
            return self.word
        named = find_logs(self.word)
        found = growing_of(named)
        path = self._readable.first(found)
        self.passed = "" if path in (None, found[0]) else found[0]
        return path or next((p for p in found if _size(p)), found[0])

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
        return live, told or grown.told


def _written(path: str) -> int:
    try:
        return Path(path).stat().st_mtime_ns
    except OSError:  # it was taken away meanwhile
        return 0


def growing_of(logs: Sequence[str]) -> list[str]:
    """Of some logs those to which a program may add rows, the newest first; else all of them."""
    files = [path for path in logs if os.path.isfile(path)] or list(logs)
    plain = [path for path in files if not path.lower().endswith(_PACKED)]
    return sorted(plain or files, key=_written, reverse=True)


class _Readable:
    """Which files hold loops; one that does not is tried again once it was written to."""

    def __init__(self, asked: Asked) -> None:
        self._read = reader(asked)
        self._known: dict[str, tuple[int, int, bool]] = {}  # size, when written, whether

    def first(self, paths: Sequence[str]) -> str | None:
        """The first file that holds a loop by now; None where none of those tried does."""
        tried = 0
        for path in paths:
            holds = self._as_known(path)
            if holds is None and tried < _TRIED:
                tried, holds = tried + 1, self._tried(path)
            if holds:
                return path
        return None

    def _as_known(self, path: str) -> bool | None:
        size, written, holds = self._known.get(path, (0, -1, False))
        now = _size(path)
        if holds and now >= size:  # rows that come take no loop away
            return True
        return holds if (now, _written(path)) == (size, written) else None

    def _tried(self, path: str) -> bool:
        size, written = _size(path), _written(path)
        self._known[path] = (size, written, size > 0 and self._holds(path))
        return self._known[path][2]

    def _holds(self, path: str) -> bool:
        try:
            with open_plain(path) as file:
                data = file.read(_BEGIN)
            with tempfile.TemporaryDirectory(prefix="looptime-") as folder:
                piece = Path(folder, Path(path).name)
                # a row that is cut there is none; a packed file has no rows that can be seen
                piece.write_bytes(data[: data.rfind(b"\n") + 1] if len(data) == _BEGIN else data)
                return any(len(run) for run in self._read(str(piece), None).runs)
        except (LooptimeError, OSError):
            return False


def _size(path: str) -> int:
    try:
        return Path(path).stat().st_size
    except OSError:
        return 0


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
