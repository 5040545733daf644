"""Where a log comes in: a file, a folder of them, a zip, or the standard input."""

from __future__ import annotations

import atexit
import contextlib
import functools
import glob
import os
import shutil
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, TextIO

from looptime.errors import LogError, UsageError

__all__ = ["STANDARD_INPUT", "at_hand", "find_logs", "logs_in", "one_log", "zip_of"]

#: The word that stands for the standard input.
STANDARD_INPUT = "-"
#: A log that is unpacked or piped in may be so large [bytes], and a zip hold so many.
MOST_BYTES, MOST_LOGS = 2 << 30, 1000
_SUFFIXES = {".csv", ".tsv", ".txt", ".log", ".gz", ".zst"}
_BLOCK = 1 << 20
_SHOWN = 5


def find_logs(folder: str | Path) -> list[str]:
    """The logs in a folder and below it, in name order; hidden ones and seasons left out.

    Raises
    ------
    UsageError
        If there are none.
    """
    from looptime.checks.season.season import Season

    root = Path(folder)
    found = []
    for here, folders, files in os.walk(root):
        folders[:] = sorted(
            f for f in folders if not f.startswith(".") and not Season.is_season(Path(here, f))
        )
        found += [str(Path(here, name)) for name in sorted(files) if _is_log(name)]
    if not found:
        raise UsageError(f"{root}: holds no logs ({', '.join(sorted(_SUFFIXES))})")
    return found


def _is_log(name: str) -> bool:
    return not name.startswith(".") and Path(name).suffix.lower() in _SUFFIXES


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
        more = "" if len(found) <= _SHOWN else f" and {len(found) - _SHOWN} more"
        raise UsageError(
            f"{word}: holds {len(found)} logs, and one is asked for: name one of "
            f"{', '.join(found[:_SHOWN])}{more}"
        )
    return found[0]


def _matching(word: str) -> list[str]:
    if any(c in word for c in "*?[") and not Path(word).exists():
        return sorted(glob.glob(word)) or [word]
    return [word]


def _inside(path: str) -> list[str]:
    if path == STANDARD_INPUT or "://" in path:
        return [path]
    if Path(path).is_dir():
        return find_logs(path)
    names = _members(path)
    return [path] if names is None else [f"{path}/{name}" for name in names]


def _members(path: str) -> list[str] | None:
    """The logs in a zip; None where the file is no zip, or another format that is kept as one."""
    named = path.lower().endswith(".zip")
    if not Path(path).is_file():  # a pipe would be waited for; what is missing is said when read
        return None
    try:
        if not zipfile.is_zipfile(path):
            if named and Path(path).exists():
                raise LogError("is a damaged zip: copy or pack it once more", path)
            return None
        with zipfile.ZipFile(path) as archive:
            logs = [i for i in archive.infolist() if _is_log(Path(i.filename).name)]
    except (OSError, ValueError, zipfile.BadZipFile, NotImplementedError) as error:
        raise LogError(f"is a zip that cannot be opened ({error})", path) from error
    logs = [one for one in logs if not one.filename.startswith("__MACOSX/")]
    if not logs and named:
        raise LogError(f"is a zip without logs ({', '.join(sorted(_SUFFIXES))})", path)
    if len(logs) > MOST_LOGS or sum(one.file_size for one in logs) > 4 * MOST_BYTES:
        raise LogError(
            f"is a zip of {len(logs):,} logs, {sum(i.file_size for i in logs) / 1e9:.3g} GB "
            "unpacked: unpack what you want to look at",
            path,
        )
    return sorted({one.filename for one in logs}) or None


def zip_of(name: str) -> Path | None:
    """The zip in which a log of `logs_in` lies; None where it lies in none."""
    if "://" in name or name == STANDARD_INPUT:
        return None
    with contextlib.suppress(OSError, ValueError):  # a name too long, or with a NUL in it
        if not Path(name).exists():
            found = (p for p in Path(name).parents if p.is_file() and zipfile.is_zipfile(p))
            return next(found, None)
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
    archive = zip_of(name)
    if archive is None:
        yield name
        return
    with tempfile.TemporaryDirectory(prefix="looptime-unpacked-") as folder:
        place = Path(folder, "log")
        _unpack(archive, Path(name).relative_to(archive).as_posix(), name, place)
        yield str(place)


def _unpack(archive: Path, member: str, name: str, place: Path) -> None:
    try:
        with zipfile.ZipFile(archive) as opened, opened.open(member) as file:
            _copied(file, place, name)
    except KeyError as error:
        raise LogError("there is no such log in the zip", name) from error
    except RuntimeError as error:  # also a NotImplementedError: a way of packing it does not know
        locked = "is locked with a password" if "password" in str(error) else f"({error})"
        raise LogError(f"cannot be unpacked, {locked}: unpack it yourself", name) from error
    except (OSError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        raise LogError(f"is damaged in the zip ({error}): copy it once more", name) from error


@functools.cache  # it can be read only once, and may be asked for again
def _standard_input(stdin: TextIO) -> Path:
    if stdin is None or stdin.isatty():
        raise UsageError("nothing is piped into the standard input: name a log, or pipe one in")
    folder = tempfile.mkdtemp(prefix="looptime-piped-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    place = Path(folder, "log")
    _copied(stdin.buffer, place, STANDARD_INPUT)
    return place


def _copied(file: IO[bytes], place: Path, name: str) -> None:
    """What a file holds, written to a place, as long as it is not too much."""
    size = 0
    with place.open("wb") as out:
        while block := file.read(_BLOCK):
            size += len(block)
            if size > MOST_BYTES:
                raise LogError(
                    f"is larger than {MOST_BYTES / 1e9:.2g} GB unpacked: cut the log, or unpack it "
                    "and name the file",
                    name,
                )
            out.write(block)
