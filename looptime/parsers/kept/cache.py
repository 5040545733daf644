"""Prepared copies of large logs in the user's cache folder, so that a second read is quick."""

import hashlib
import json
import os
import sys
import zlib
from contextlib import suppress
from dataclasses import asdict
from functools import cache
from pathlib import Path

import numpy as np

from looptime.files import answers
from looptime.parsers.kept.packed import load, save
from looptime.parsers.options import Options
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import SCHEMA_VERSION

__all__ = ["MOST_BYTES", "SOURCES", "Key", "edition", "fetch", "folder", "keep", "key"]

#: Room that all copies may take together [bytes]; the longest unused goes first.
MOST_BYTES = 4 << 30
#: A log up to this size is compared whole, a longer one in blocks spread over it [bytes].
_COMPARED, _BLOCK = 32 << 20, 16 << 10
#: What the parsers are made of, and all that they import.
SOURCES = (
    "parsers", "stats", "abreast.py", "array_types.py", "call_words.py", "controllers.py",
    "errors.py", "files.py", "globs.py", "length_groups.py", "project.py", "records.py", "run.py",
    "schema.py", "signal_names.py", "stated_columns.py", "stated_pace.py", "tables.py", "units.py",
    "words.py",
)  # fmt: skip
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


@dataclass(frozen=True)
class Key:
    """A log, read in one way by these parsers: where its copy lies, and what the copy must say."""

    name: str
    identity: str


@cache
def edition() -> str | None:
    """Digest of the source that reads logs: a copy by any other source is not believed.

    Returns
    -------
    str or None
        None where the source is not at hand; then nothing is kept.
    """
    root = Path(__file__).parents[2]
    digest = hashlib.sha256()
    try:
        for source in SOURCES:
            place = root / source
            for file in [place] if place.suffix else sorted(place.rglob("*.py")):
                code = file.read_bytes()
                digest.update(f"{source} {file.name} {len(code)}\n".encode() + code)
    except OSError:
        return None
    return digest.hexdigest()


def key(path: str | os.PathLike[str], options: Options) -> Key | None:
    """What tells this log, read in this way, from every other.

    Returns
    -------
    Key or None
        None where the log cannot be looked at.
    """
    place = Path(path)
    made_by = edition()
    if made_by is None or not answers(path, whole=False):
        return None
    try:
        info = place.stat()
        read = {"path": str(place.resolve()), "options": asdict(options)}
        name = hashlib.sha256(json.dumps(read, sort_keys=True).encode()).hexdigest()[:40]
        said = {
            **read, "size": info.st_size, "time": info.st_mtime_ns, "schema": SCHEMA_VERSION,
            "changed": info.st_ctime_ns,  # unlike the time, nobody can put it back
            "blocks": _digest(place, info.st_size), "edition": made_by,
        }  # fmt: skip
    except (OSError, ValueError, RuntimeError):
        return None
    return Key(name, json.dumps(said, sort_keys=True))


def _digest(place: Path, size: int) -> int:
    """Checksum of a log, or of so many blocks at equal distances that they make up its share."""
    count = _COMPARED // _BLOCK
    starts = np.linspace(0, size - _BLOCK, count).astype(np.int64).tolist()
    check = 0
    with place.open("rb") as file:
        for at in range(0, size, _BLOCK) if size <= _COMPARED else starts:
            file.seek(at)
            check = zlib.crc32(file.read(_BLOCK), check)
    return check


def fetch(wanted: Key | None) -> tuple[Run, ...] | None:
    """The runs of a prepared copy.

    Returns
    -------
    tuple of Run, or None
        None where there is none, or it is not to be believed (then it is taken away).
    """
    place = folder()
    if wanted is None or place is None:
        return None
    file = place / (wanted.name + _ENDING)
    try:
        runs = load(file, wanted.identity)
    except (OSError, ValueError, KeyError, TypeError, IndexError):
        with suppress(OSError):
            file.unlink()
        return None
    with suppress(OSError):
        os.utime(file)
    return runs


def keep(wanted: Key | None, runs: tuple[Run, ...]) -> bool:
    """Write a prepared copy; a folder that cannot be written is no error.

    The copy is written beside its place and then moved there, so that neither a crash nor a
    second process ever leaves half a copy.

    Parameters
    ----------
    wanted : Key or None
        As `key` returns it.
    runs : tuple of Run
        All runs of the log, without the labels of a project file.

    Returns
    -------
    bool
        Whether there is a copy now.
    """
    place = folder()
    if wanted is None or place is None:
        return False
    part = None
    try:
        place.mkdir(parents=True, exist_ok=True)
        import tempfile

        handle, part = tempfile.mkstemp(suffix=".part", prefix=wanted.name[:8], dir=place)
        with os.fdopen(handle, "wb") as file:
            save(runs, file, wanted.identity)
        if Path(part).stat().st_size > MOST_BYTES:
            return False
        Path(part).replace(place / (wanted.name + _ENDING))
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
