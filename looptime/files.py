"""Files that are there whole or not at all: written beside their place, then renamed."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from looptime.errors import UsageError

__all__ = ["whole_file", "write_whole"]


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
            yield place
            return
        if folders:
            place.parent.mkdir(parents=True, exist_ok=True)
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
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        if part is not None:
            with contextlib.suppress(OSError):
                part.unlink()


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
