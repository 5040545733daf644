"""Files: whole or not there, as they are written beside and renamed; read only where none waits."""

import contextlib
import errno
import io
import os
import threading
from collections.abc import Iterator
from pathlib import Path
from queue import Empty, SimpleQueue
from stat import S_ISDIR, S_ISREG, S_ISSOCK
from typing import Any, BinaryIO

from looptime.errors import LooptimeError, UsageError

__all__ = [
    "LOG_SUFFIXES",
    "MAYBE_SUFFIXES",
    "NOTES_FILE",
    "PATIENCE_S",
    "SILENT",
    "answers",
    "is_log",
    "open_plain",
    "read_toml",
    "whole_file",
    "write_whole",
]

#: Ends of the names of logs, and of what is a log only where it holds rows, in a folder.
LOG_SUFFIXES = {
    ".csv", ".tsv", ".txt", ".log", ".gz", ".zst", ".jsonl", ".ndjson", ".dat", ".data", ".tab",
    ".psv", ".prn", ".out", ".asc",
}  # fmt: skip
MAYBE_SUFFIXES = {".json", ".xml", ".md"}
#: Name of the file of notes that stands beside logs, see `looptime.notes`.
NOTES_FILE = "looptime-notes.csv"
#: How long a file may keep one waiting for its next block [s], and how long a block is [bytes].
PATIENCE_S, _BLOCK = 2.0, 1 << 18
#: Reading bytes, without waiting for whoever writes into a pipe.
_READING = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)


def is_log(name: str) -> bool:
    """Whether a file that is called so is offered as a log; hidden ones and notes are not.

    Examples
    --------
    >>> is_log("run.csv.gz"), is_log("run.jsonl"), is_log("notes.odt"), is_log(".run.csv")
    (True, True, False, False)
    >>> is_log(NOTES_FILE)
    False
    """
    if name.startswith(".") or name.lower() == NOTES_FILE:
        return False
    return Path(name).suffix.lower() in LOG_SUFFIXES


class _Answering(io.FileIO):
    """A file of which an error comes, not None, where a read would wait: the kernel's own may."""

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer; returns how many bytes came."""
        count = super().readinto(buffer)
        if count is None:
            raise OSError(errno.EAGAIN, "it does not answer")
        return count

    def readall(self) -> bytes:
        """All that is left."""
        data = super().readall()
        if data is None:
            raise OSError(errno.EAGAIN, "it does not answer")
        return data


def open_plain(path: str | os.PathLike[str]) -> BinaryIO:
    """Open a file for its bytes, unless it is a pipe, a socket or a device, which may wait.

    Raises
    ------
    OSError
        If it cannot be opened, or is no plain file.

    Examples
    --------
    >>> open_plain(os.devnull)
    Traceback (most recent call last):
    OSError: [Errno 22] it is a pipe, a socket or a device: '/dev/null'
    """
    kind = Path(path).stat().st_mode
    if not S_ISSOCK(kind):  # that cannot even be opened
        handle = os.open(path, _READING)
        kind = os.fstat(handle).st_mode
        if S_ISREG(kind):
            return io.BufferedReader(_Answering(handle, "rb"))
        os.close(handle)
    if S_ISDIR(kind):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), os.fspath(path))
    raise OSError(errno.EINVAL, "it is a pipe, a socket or a device", os.fspath(path))


#: Who still waits for a file that did not answer in time: until one comes back, no other is sent.
_WAITING: dict[str, threading.Thread] = {}
SILENT = "does not answer: is the disk or share that it is on still there? Copy it here"


def answers(
    path: str | os.PathLike[str], within_s: float = PATIENCE_S, *, whole: bool = True
) -> bool:
    """Whether a file, or an error, comes without a longer rest than that: a lost share stops.

    The `whole` file is read to its end, as one that begins to come may stop later, for good; else
    its first bytes. Of a file for which one still waits it is known at once.

    Examples
    --------
    >>> answers(__file__), answers("no such file"), answers(__file__, whole=False)
    (True, True, True)
    """
    name = os.path.abspath(path)
    if (other := _WAITING.get(name)) is not None and other.is_alive():
        return False
    came: SimpleQueue[bool] = SimpleQueue()

    def ask() -> None:
        with contextlib.suppress(OSError, ValueError), open_plain(path) as file:
            while file.read(_BLOCK if whole else 1) and whole:
                came.put(True)
        came.put(False)

    # one that still waits when the command ends is left behind
    asking = threading.Thread(target=ask, daemon=True)
    asking.start()
    try:
        while came.get(timeout=within_s):
            pass
    except Empty:
        _WAITING[name] = asking
        return False
    _WAITING.pop(name, None)
    return True


def read_toml(
    path: str | os.PathLike[str], refusal: type[LooptimeError] = UsageError
) -> dict[str, Any]:
    """What a TOML file holds; where it cannot be read, `refusal` says why in one line."""
    import tomllib  # where there is no such file it is not needed

    try:
        with open_plain(path) as file:
            return tomllib.loads(file.read().decode("utf-8-sig").replace("\r\n", "\n"))
    except OSError as error:
        raise refusal(f"{path}: cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise refusal(f"{path}: is not UTF-8 text: save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise refusal(f"{path}: is not valid TOML: {error}") from error


@contextlib.contextmanager
def whole_file(
    path: str | os.PathLike[str], *, new: bool = False, folders: bool = False
) -> Iterator[Path]:
    """Give the path of a file to write; it takes its place when the block ends without an error.

    Whatever goes wrong before, such as a full disk, leaves what was there as it was. What is no
    plain file, such as a device, is written to directly.

    Parameters
    ----------
    path : path-like
        Where the file is to be; a link is followed.
    new : bool
        Whether nothing may be there yet.
    folders : bool
        Whether to make the folders on the way.

    Raises
    ------
    UsageError
        If the file cannot be written, or is there already and must not be.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with whole_file(Path(folder) / "rows.csv") as part:
    ...         _ = part.write_text("line,reason")
    ...     [place.name for place in Path(folder).iterdir()]
    ['rows.csv']
    """
    part = None
    try:
        place = Path(path) if new else Path(os.path.realpath(path))
        if place.exists() and not place.is_file() and not new:
            if place.is_fifo():
                _expect_reader(place)
            yield place
            return
        if folders:
            place.parent.mkdir(parents=True, exist_ok=True)
        import tempfile  # it loads much, and most commands write nothing

        handle, name = tempfile.mkstemp(suffix=".part", prefix=".", dir=place.parent)
        os.close(handle)
        part = Path(name)
        yield part
        part.chmod(_rights(place))  # a scratch file is its owner's alone
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        _put(part, place, new)
        part = None
    except FileExistsError as error:
        raise UsageError(f"{path}: is there already; nothing was written") from error
    except OSError as error:
        why = os.strerror(error.errno) if error.errno else str(error)
        raise UsageError(f"{path}: cannot be written: {why}") from error
    finally:
        if part is not None:
            with contextlib.suppress(OSError):
                part.unlink()


def _expect_reader(pipe: Path) -> None:
    """Refuse a pipe that nobody reads: opening it would wait for ever."""
    try:
        os.close(os.open(pipe, os.O_WRONLY | getattr(os, "O_NONBLOCK", 0)))
    except OSError as error:
        raise UsageError(f"{pipe}: is a pipe that nobody reads: name a file") from error


def write_whole(
    path: str | os.PathLike[str], text: str, *, new: bool = False, folders: bool = False
) -> None:
    """Write a text in UTF-8, with lines that end as it has them; see `whole_file`."""
    with whole_file(path, new=new, folders=folders) as part:
        part.write_text(text, encoding="utf-8", newline="")


def _rights(place: Path) -> int:
    """Those of the file that is there; else what the system gives a new one."""
    with contextlib.suppress(OSError):
        return place.stat().st_mode & 0o777
    mask = os.umask(0o022)  # it can only be seen by setting it
    os.umask(mask)
    return 0o666 & ~mask


def _put(part: Path, place: Path, new: bool) -> None:
    if not new:
        part.replace(place)
        return
    try:
        os.link(part, place)  # unlike a rename it refuses what is there
    except FileExistsError:
        raise
    except OSError:  # a card or stick without links
        if place.exists():
            raise FileExistsError(place) from None
        part.replace(place)
    else:
        part.unlink()
