"""Logs in a zip: which there are, and one of them unpacked; bounded, whatever the zip claims."""

import zipfile
import zlib
from pathlib import Path
from typing import IO

from looptime.errors import LogError
from looptime.files import LOG_SUFFIXES, is_log

__all__ = ["copy", "members", "unpack"]

#: A log that is unpacked or piped in may be so large [bytes], and a zip hold so many.
MOST_BYTES, MOST_LOGS = 2 << 30, 1000
_BLOCK = 1 << 20


def members(path: str) -> list[str] | None:
    """The logs in a zip; None where the file is no zip, or another format that is kept as one.

    Raises
    ------
    LogError
        If it cannot be opened, holds no logs, or more than may be unpacked.
    """
    named = path.lower().endswith(".zip")
    try:
        if not zipfile.is_zipfile(path):
            if named:
                raise LogError("is a damaged zip: copy or pack it once more", path)
            return None
        with zipfile.ZipFile(path) as archive:
            logs = [i for i in archive.infolist() if is_log(Path(i.filename).name)]
    except (OSError, ValueError, zipfile.BadZipFile, NotImplementedError) as error:
        raise LogError(f"is a zip that cannot be opened ({error})", path) from error
    logs = [one for one in logs if not one.filename.startswith("__MACOSX/")]
    if not logs and named:
        raise LogError(f"is a zip without logs ({', '.join(sorted(LOG_SUFFIXES))})", path)
    if len(logs) > MOST_LOGS or sum(one.file_size for one in logs) > 4 * MOST_BYTES:
        raise LogError(
            f"is a zip of {len(logs):,} logs, {sum(i.file_size for i in logs) / 1e9:.3g} GB "
            "unpacked: unpack what you want to look at",
            path,
        )
    return sorted({one.filename for one in logs}) or None


def unpack(archive: Path, member: str, name: str, place: Path) -> None:
    """Unpack a log of a zip to a place; `name` is what it is called.

    Raises
    ------
    LogError
        If it cannot be unpacked, or is larger than may be.
    """
    try:
        with zipfile.ZipFile(archive) as opened, opened.open(member) as file:
            copy(file, place, name)
    except KeyError as error:
        raise LogError("there is no such log in the zip", name) from error
    except RuntimeError as error:  # also a NotImplementedError: a way of packing it does not know
        locked = "is locked with a password" if "password" in str(error) else f"({error})"
        raise LogError(f"cannot be unpacked, {locked}: unpack it yourself", name) from error
    except (OSError, EOFError, zipfile.BadZipFile, zlib.error) as error:
        raise LogError(f"is damaged in the zip ({error}): copy it once more", name) from error


def copy(file: IO[bytes], place: Path, name: str) -> None:
    """Write what a file holds to a place.

    Raises
    ------
    LogError
        If it is more than may be.
    """
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
