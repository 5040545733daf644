"""Where a log comes in: a file, a folder of them, a zip, or the standard input."""

import contextlib
import functools
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TextIO

from looptime.errors import LogError, UsageError
from looptime.files import LOG_SUFFIXES, MAYBE_SUFFIXES, answers, is_log, open_plain
from looptime.words import listed

__all__ = ["STANDARD_INPUT", "at_hand", "find_logs", "logs_in", "one_log", "zip_of"]

#: The word that stands for the standard input.
STANDARD_INPUT = "-"
_SHOWN = 5
#: Pipes that were named: out of those that lie in a folder nothing is taken, it is for others.
_NAMED: set[str] = set()
#: A folder with more of them below it is a disk and no place of logs.
_MOST_FOLDERS = 4000


def find_logs(folder: str | Path) -> list[str]:
    """The logs in a folder and below it, in name order; hidden ones and seasons left out.

    A folder that may not be read stands for the logs in it, so that whoever reads them is told.

    Raises
    ------
    UsageError
        If there are none, or so many folders that nobody keeps logs in all of them.
    """
    from looptime.checks.season.season import Season

    root = Path(folder)
    found: list[str] = []
    others: list[str] = []
    shut: list[OSError] = []
    for count, (here, folders, files) in enumerate(os.walk(root, onerror=shut.append)):
        if count == _MOST_FOLDERS:
            raise UsageError(
                f"{root}: holds more than {_MOST_FOLDERS:,} folders: name the one into which the "
                "logs were copied"
            )
        folders[:] = sorted(
            f for f in folders if not f.startswith(".") and not Season.is_season(Path(here, f))
        )
        for name in sorted(f for f in files if not f.startswith(".")):
            (found if _offered(Path(here, name)) else others).append(str(Path(here, name)))
    found += [str(error.filename) for error in shut]
    if not found:
        kinds = ", ".join(sorted(LOG_SUFFIXES))
        todo = (
            f"name {os.path.relpath(others[0], root)} or the like itself to have it read"
            if others
            else "name the folder into which the logs were copied"
        )
        raise UsageError(f"{root}: holds no logs ({kinds}): {todo}")
    return found


def _offered(path: Path) -> bool:
    """Whether a file in a folder is a log by its name, or by what it holds where that may be."""
    if is_log(path.name) or path.suffix.lower() not in MAYBE_SUFFIXES:
        return is_log(path.name)
    try:
        state = path.stat()
    except OSError:
        return False
    return _holds_rows(path, state.st_size, state.st_mtime_ns)


@functools.lru_cache(maxsize=4096)  # a watched folder is looked through each second
def _holds_rows(path: Path, _size: int, _written: int) -> bool:
    """Whether a file holds rows of a log; its size and time say that it is as it was."""
    from looptime.parsers.fresh import opened
    from looptime.parsers.options import Options
    from looptime.parsers.text.prose import is_written
    from looptime.parsers.text.source import head, open_source

    try:
        source = open_source(path)
        text = head(source).decode("utf-8", "replace")
        opened(source, text, Options())
    except (LogError, OSError):
        return False
    return not is_written(text)


def logs_in(words: Sequence[str]) -> list[str]:
    """The logs that some words name, each by a name that `at_hand` opens.

    Parameters
    ----------
    words : sequence of str
        Paths of logs, folders and zips, addresses, ``-`` for the standard input, or patterns such
        as ``*.csv``, which shells on some systems leave to the program.

    Raises
    ------
    UsageError
        If a folder holds no logs.
    LogError
        If a zip cannot be opened, or holds more than may be unpacked.
    """
    return [name for word in words for path in _matching(word) for name in _inside(path)]


def one_log(word: str) -> str:
    """The one log that a word names.

    Raises
    ------
    UsageError
        If it names several.
    """
    found = logs_in([word])
    if len(found) > 1:
        raise UsageError(
            f"{word}: holds {len(found)} logs, and this command is about one: name one of "
            f"{listed(found, _SHOWN)}"
        )
    return found[0]


def _matching(word: str) -> list[str]:
    if any(c in word for c in "*?[") and not Path(word).exists():
        import glob

        return sorted(glob.glob(word)) or [word]
    return [word]


def _inside(path: str) -> list[str]:
    if path == STANDARD_INPUT or "://" in path:
        return [path]
    if os.path.isdir(path):  # no error where a folder on the way may not be read
        return find_logs(path)
    if _is_pipe(path):
        _NAMED.add(path)
    if not _looks_packed(path):
        return [path]
    from looptime.questions.zips import members

    names = members(path)
    return [path] if names is None else [f"{path}/{name}" for name in names]


def _looks_packed(path: str) -> bool:
    """Whether a file may be a zip: most logs need not wait for what looks into one."""
    if not answers(path, whole=False):
        return False
    # what is missing, or is no file, or is silent, is said when it is read
    with contextlib.suppress(OSError, ValueError), open_plain(path) as file:
        return file.read(2) == b"PK" or path.lower().endswith(".zip")
    return False


def zip_of(name: str) -> Path | None:
    """The zip in which a log of `logs_in` lies; None where it lies in none."""
    if "://" in name or name == STANDARD_INPUT:
        return None
    with contextlib.suppress(OSError, ValueError):  # a name too long, or with a NUL in it
        if not Path(name).exists():
            return next((p for p in Path(name).parents if _looks_packed(str(p))), None)
    return None


@contextlib.contextmanager
def at_hand(name: str) -> Iterator[str]:
    """A log of `logs_in` as a file on this machine, for as long as it is looked at.

    Raises
    ------
    LogError
        If it cannot be unpacked, or is larger than may be.
    UsageError
        If nothing is piped into the standard input.
    """
    if name == STANDARD_INPUT:
        yield str(_standard_input(sys.stdin))
        return
    if name in _NAMED and _is_pipe(name):
        from looptime.questions.pipes import of_pipe

        yield str(of_pipe(name))
        return
    archive = zip_of(name)
    if archive is None:
        yield name
        return
    import tempfile

    from looptime.questions.zips import unpack

    with tempfile.TemporaryDirectory(prefix="looptime-unpacked-") as folder:
        place = Path(folder, "log")
        unpack(archive, Path(name).relative_to(archive).as_posix(), name, place)
        yield str(place)


def _is_pipe(name: str) -> bool:
    """Whether a name is that of a pipe, such as a shell gives to what another command prints."""
    try:
        return Path(name).is_fifo()
    except (OSError, ValueError):
        return False


@functools.cache  # it can be read only once, and may be asked for again
def _standard_input(stdin: TextIO) -> Path:
    if stdin is None or stdin.isatty():
        raise UsageError("nothing is piped into the standard input: name a log, or pipe one in")
    from looptime.questions.pipes import kept

    return kept(stdin.buffer, STANDARD_INPUT)
