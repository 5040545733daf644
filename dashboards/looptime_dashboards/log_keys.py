"""Keys by which logs are known, made from their content, and words about logs."""

import hashlib
import os
import re
import threading
import time
from pathlib import Path

from looptime.files import open_plain
from looptime.schema import LAYOUTS

__all__ = [
    "Hashing", "content_of", "digest", "layouts_in", "log_of", "shown_name", "size_text",
    "without_hint", "written_at",
]  # fmt: skip

#: How long a file may keep a look at the folder waiting without giving a byte [s].
_PATIENCE_S = 2.0


def log_of(key: str) -> str:
    """The key of a run's log.

    Examples
    --------
    >>> log_of("0123456789abcdef.edges-2"), content_of("0123456789abcdef.edges-2")
    ('0123456789abcdef.edges', '0123456789abcdef')
    """
    return key.partition("-")[0]


def content_of(key: str) -> str:
    """The part of a key that is made from the log's content."""
    return key[:16]


def layouts_in(message: str) -> tuple[str, ...]:
    """Layouts that a message gives the choice between.

    Examples
    --------
    >>> layouts_in("fits two layouts: say which with --layout stages or --layout costs")
    ('stages', 'costs')
    """
    named = re.findall(r"--layout (\w+)", message)
    return tuple(dict.fromkeys(name for name in named if name in LAYOUTS))


def without_hint(message: str) -> str:
    """A message without the words that say how the command line chooses between two layouts.

    Examples
    --------
    >>> without_hint("fits two layouts: say which with --layout stages or --layout costs")
    'fits two layouts'
    """
    return re.sub(r": say which with --layout \w+ or --layout \w+$", "", message)


def size_text(size: int) -> str:
    """A file's size in words.

    Examples
    --------
    >>> size_text(709_192_899), size_text(20_400), size_text(22)
    ('709.2 MB', '20 kB', '22 bytes')
    """
    if size < 1000:
        return f"{size} bytes"
    return f"{size / 1e6:.1f} MB" if size >= 1e5 else f"{size / 1e3:.0f} kB"


def shown_name(name: str) -> str:
    """The name of a dropped file without the folder that it came from."""
    return Path(name.replace("\\", "/")).name[:120] or "dropped log"


def written_at(path: str | Path) -> float:
    """When a file was last written; 0 where it is gone."""
    try:
        return os.stat(path).st_mtime
    except OSError:  # it was taken away meanwhile
        return 0.0


def digest(data: bytes) -> str:
    """The key of a content."""
    return hashlib.blake2b(data, digest_size=8).hexdigest()


class Hashing(threading.Thread):
    """Makes the key of a file aside, because a disk or network that is away may never answer."""

    def __init__(self, path: Path) -> None:
        super().__init__(daemon=True)
        self.key = ""
        self.error: OSError | None = None
        self._path, self._moved = path, time.monotonic()
        self.start()

    def run(self) -> None:
        """Read the file to its end."""
        made = hashlib.blake2b(digest_size=8)
        try:
            with open_plain(self._path) as file:
                while block := file.read(1 << 20):
                    made.update(block)
                    self._moved = time.monotonic()
        except OSError as error:
            self.error = error
        self.key = made.hexdigest()

    def done(self) -> bool:
        """Whether the key is there; waits as long as bytes come, and a little."""
        while self.is_alive() and time.monotonic() - self._moved < _PATIENCE_S:
            self.join(0.05)
        return not self.is_alive()
