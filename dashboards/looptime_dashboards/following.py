"""A log of the folder while a robot writes it, read on where reading stopped."""

import os
import threading
import time
from collections import OrderedDict
from pathlib import Path

from looptime.errors import LooptimeError
from looptime.project import Project
from looptime.questions.asked import Asked
from looptime.questions.doors import find_logs
from looptime.questions.watching import Live, Minute, Watch, broken_limits, growing_of, watch
from looptime.records import dataclass

__all__ = ["Following", "Seen"]

#: However many pages ask, the log is looked at so often [s].
_EVERY_S = 0.9
#: While much is unread, a look goes on reading for so long [s].
_BUSY_S = 0.4
#: So many logs are followed at once; who looks at another begins it anew.
_MOST = 4


@dataclass(frozen=True)
class Seen:
    """What is known of the log that is followed."""

    path: str
    live: Live  #: The run so far
    minute: Minute
    told: str  #: What a person should be told; else empty
    broken: tuple[str, ...]  #: Limits of the project file that are broken
    share: float  #: Part of the file that is read
    quiet_s: float  #: How long no loop has come [s]
    passed: str = ""  #: A newer file of the folder, where no loop can be read in it


class Following:
    """Follows the newest log of a folder, or one by its name; nothing is read unless asked for."""

    def __init__(self, folder: str | os.PathLike[str] | None, project: Project) -> None:
        self.folder, self.project = folder, project
        self._lock = threading.Lock()
        self._each: OrderedDict[str, _One] = OrderedDict()

    def logs(self) -> list[str]:
        """Paths of the folder's logs that may grow, the newest first."""
        if self.folder is None or not Path(self.folder).is_dir():
            return []
        try:
            return growing_of(find_logs(Path(self.folder)))
        except LooptimeError:  # no log yet
            return []

    def look(self, anew: bool = True, path: str = "") -> Seen | None:
        """What is known by now; None where the folder holds no log.

        Parameters
        ----------
        anew : bool
            Whether to read on, else what was known is told again.
        path : str
            One of `logs`; else the newest is followed.

        Raises
        ------
        LooptimeError
            If the log cannot be followed.
        """
        with self._lock:
            one = self._each.setdefault(path, _One(path or self.folder, self.project))
            self._each.move_to_end(path)
            while len(self._each) > _MOST:
                self._each.popitem(last=False)
        return one.look(anew)


class _One:
    """What is known of one log, or of the newest of a folder."""

    def __init__(self, place: str | os.PathLike[str] | None, project: Project) -> None:
        self.place, self.project = place, project
        self._lock = threading.Lock()
        self._watch: Watch | None = None
        self._seen: Seen | None = None
        self._looked = self._moved = 0.0
        self._told = ""

    def look(self, anew: bool = True) -> Seen | None:
        """As `Following.look`."""
        if not anew and self._seen is not None:
            return self._seen
        if self._lock.acquire(blocking=self._seen is None):
            try:
                if time.monotonic() - self._looked >= _EVERY_S:
                    self._seen = self._read_on()
                    self._looked = time.monotonic()
            finally:
                self._lock.release()
        return self._seen

    def _read_on(self) -> Seen | None:
        if self._watch is None:
            if self.place is None or not Path(self.place).exists():
                return None
            try:
                self._watch = watch(Asked(self.project), str(self.place))
            except LooptimeError:  # no log yet
                return None
            self._moved = time.monotonic() - _age_s(self._watch.path)
        at, begun = self._watch, time.monotonic()
        before = 0 if self._seen is None or self._seen.path != at.path else self._seen.live.loops
        path = at.path
        while True:
            live, told = at.look()
            self._told = told or (self._told if at.path == path and not live.loops else "")
            if at.share >= 1 or told or time.monotonic() - begun > _BUSY_S:
                break
        if live.loops != before or at.path != path:
            self._moved = time.monotonic()
        limits = self.project.limits
        return Seen(at.path, live, at.minute(), self._told, broken_limits(live, limits), at.share,
                    time.monotonic() - self._moved, at.passed)  # fmt: skip


def _age_s(path: str) -> float:
    """How long ago a file was written to, by its own time; 0 where nobody knows."""
    try:
        return max(0.0, time.time() - os.stat(path).st_mtime)
    except OSError:
        return 0.0
