"""Prepared copies of large logs in the user's cache folder, so that a second read is quick."""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path

from looptime.parsers.kept.packed import load, save
from looptime.parsers.layouts.contract import Options
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION

__all__ = ["MOST_BYTES", "fetch", "folder", "keep", "key"]

#: Room that all copies may take together [bytes]; the longest unused goes first.
MOST_BYTES = 4 << 30
#: Raised when parsers read something differently, so that old copies are not believed.
_EDITION = 4
_SAMPLES, _SAMPLE_BYTES = 9, 64 << 10
_ENDING = ".prepared"


def folder() -> Path | None:
    """Where copies are kept: ``LOOPTIME_CACHE``, else the user's cache folder.

    Returns
    -------
    Path or None
        None where ``LOOPTIME_CACHE`` is empty, or there is no home.
    """
    asked = os.environ.get("LOOPTIME_CACHE")
    if asked is not None:
        return Path(asked) if asked.strip() else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA")
        return (Path(local) if local else home / "AppData" / "Local") / "looptime" / "Cache"
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "looptime"
    xdg = os.environ.get("XDG_CACHE_HOME")
    return (Path(xdg) if xdg else home / ".cache") / "looptime"


def key(path: str | os.PathLike[str], options: Options) -> str | None:
    """What tells this log, read in this way, from every other.

    Parameters
    ----------
    path : path-like
        The log.
    options : Options
        How it is read.

    Returns
    -------
    str or None
        None where the log cannot be looked at.
    """
    place = Path(path)
    try:
        info = place.stat()
        said = {
            "path": str(place.resolve()), "size": info.st_size, "time": info.st_mtime_ns,
            "options": asdict(options), "schema": SCHEMA_VERSION, "edition": _EDITION,
        }  # fmt: skip
        digest = hashlib.sha256(json.dumps(said, sort_keys=True).encode())
        step = max(1, (info.st_size - _SAMPLE_BYTES) // (_SAMPLES - 1))
        with place.open("rb") as file:
            for at in range(0, info.st_size, step):
                file.seek(at)
                digest.update(file.read(_SAMPLE_BYTES))
    except (OSError, ValueError, RuntimeError):
        return None
    return digest.hexdigest()[:40]


def fetch(name: str | None) -> tuple[Run, ...] | None:
    """The runs of a prepared copy.

    Parameters
    ----------
    name : str or None
        As `key` returns it.

    Returns
    -------
    tuple of Run, or None
        None where there is none, or it is damaged (then it is taken away).
    """
    place = folder()
    if name is None or place is None:
        return None
    file = place / (name + _ENDING)
    try:
        runs = load(file)
    except (OSError, ValueError, KeyError, TypeError, IndexError):
        with suppress(OSError):
            file.unlink()
        return None
    with suppress(OSError):
        os.utime(file)
    return runs


def keep(name: str | None, runs: tuple[Run, ...]) -> bool:
    """Write a prepared copy; a folder that cannot be written is no error.

    The copy is written beside its place and then moved there, so that neither a crash nor a
    second process ever leaves half a copy.

    Parameters
    ----------
    name : str or None
        As `key` returns it.
    runs : tuple of Run
        All runs of the log, without the labels of a project file.

    Returns
    -------
    bool
        Whether there is a copy now.
    """
    place = folder()
    if name is None or place is None:
        return False
    part = None
    try:
        place.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(suffix=".part", prefix=name[:8], dir=place)
        with os.fdopen(handle, "wb") as file:
            save(runs, file)
        if Path(part).stat().st_size > MOST_BYTES:
            return False
        Path(part).replace(place / (name + _ENDING))
        part = None
        _make_room(place)
    except OSError:  # no room, no right, or the old copy is in use
        return False
    finally:
        if part is not None:
            with suppress(OSError):
                Path(part).unlink()
    return True


def _make_room(place: Path) -> None:
    """Take away the longest unused copies, and what a crash left behind."""
    found = []
    for file in place.iterdir():
        with suppress(OSError):
            info = file.stat()
            if file.suffix in (_ENDING, ".part"):
                found.append((info.st_mtime, info.st_size, file))
    found.sort()
    newest = found[-1][0] if found else 0.0
    total = sum(size for _, size, _ in found)
    for time, size, file in found:
        stale = file.suffix == ".part" and newest - time > 3600
        if (total > MOST_BYTES and file.suffix == _ENDING) or stale:
            with suppress(OSError):
                file.unlink()
                total -= size
