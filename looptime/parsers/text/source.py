"""The bytes of a log: found, decompressed, brought to UTF-8 and cut into blocks at line ends."""

import codecs
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import field, replace
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import BinaryIO, cast

from looptime.errors import LogError, near
from looptime.files import SILENT, answers, open_plain
from looptime.parsers.text.rewritten import Rewritten, pieces
from looptime.records import dataclass
from looptime.schema import CUT_SHORT

__all__ = [
    "BLOCK_BYTES",
    "EXPORTED",
    "HOLE",
    "LONGEST_LINE",
    "Block",
    "Bytes",
    "Progress",
    "Source",
    "blocks",
    "head",
    "is_address",
    "is_same_file",
    "open_bytes",
    "open_source",
    "stored",
]

#: Names of a folder that are looked at for one that was mistyped, and how like it is to it.
_LOOKED_AT, _LIKE_NAMES = 1000, 0.75

#: Size of a block of text that is parsed at a time [bytes].
BLOCK_BYTES = 1 << 20
_LEAST_BLOCK_BYTES = 256 << 10
#: A line longer than this is not a line of a log [bytes].
LONGEST_LINE = 4 << 20
HEAD_BYTES = 256 << 10
# A timing log shrinks 4 to 20 times; far beyond that it is no log but a trap for memory
_MOST_RATIO = 250
_RATIO_COUNTS_FROM = 64 << 20
#: What stands where a stretch of the file was never written: bytes that are no text look alike.
HOLE = "\ufffd".encode() * 8
_EMPTY = re.compile(rb"(?<=[^\n\0])\0{64,}")  # fewer fill up a field of fixed width
#: First line of a run exported as CSV.
EXPORTED = b"# looptime-run: "
#: What is told the share of a file that has been read, 0 to 1.
Progress = Callable[[float], None]
_PARQUET = b"PAR1"
_GZIP = b"\x1f\x8b"
_ZSTD = b"\x28\xb5\x2f\xfd"
#: Bytes of more than seven bits; those that are no letters and signs of one byte each: parts of
#: a letter in UTF-8, control codes, or a block that was never written.
_HIGH = re.compile(rb"[\x80-\xff]")
_NOT_LATIN = re.compile(rb"[\x80-\x9f]|[\xc2-\xf4][\x80-\xbf]|\xff{8}")
#: What text does not hold: control codes but those of lines, pages and colours, broken letters.
_ODD = re.compile("[\x00-\x08\x0b\x0e-\x1a\x1c-\x1f\ufffd]")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True)
class Source:
    """A log file: where it is and how its bytes become UTF-8 text.

    `cautions` grows while the file is read; `progress` is told the share read so far, 0 to 1.
    `rewritten` stands for the file's own text, line for line.
    """

    path: str
    size: int
    compression: str | None
    encoding: str
    bom: int = 0
    cautions: list[str] = field(default_factory=list, compare=False)
    progress: Progress | None = field(default=None, compare=False)
    rewritten: Rewritten | None = field(default=None, compare=False)

    def tell(self, place: int) -> None:
        """Say how far the file has been read [bytes]."""
        if self.progress is not None:
            self.progress(min(place / self.size, 1.0) if self.size else 1.0)


#: Text of a log as it is handed on.
Bytes = bytes | bytearray


@dataclass(frozen=True)
class Block:
    """Whole lines of a log as UTF-8; `number` counts the blocks from 0."""

    data: Bytes
    number: int


def is_address(path: str | os.PathLike[str]) -> bool:
    """Whether a log is named by an address (``PROTOCOL://...``) and not by a path.

    Examples
    --------
    >>> is_address("s3://bucket/log.csv.gz"), is_address("logs/log.csv")
    (True, False)
    """
    return "://" in os.fspath(path)


def is_same_file(target: str | os.PathLike[str], log: str | os.PathLike[str]) -> bool:
    """Whether a file to be written is the log that is read, by whatever name.

    Examples
    --------
    >>> is_same_file("not there.csv", "not there.csv")
    False
    """
    place = Path(target)
    return place.exists() and Path(log).exists() and place.samefile(log)


def open_bytes(path: str | os.PathLike[str]) -> BinaryIO:
    """Open a log's bytes, on disk or in any store that fsspec reaches.

    Raises
    ------
    LogError
        If an address is given and fsspec, or what it needs for that store, is not installed.
        Also if it does not answer.
    OSError
        If it cannot be opened.
    """
    if not is_address(path):
        if not _is_special(os.fspath(path)) and not answers(path, whole=False):
            raise LogError(SILENT, os.fspath(path))
        return open_plain(path)
    try:
        import fsspec

        return cast(BinaryIO, fsspec.open(os.fspath(path), "rb").open())
    except ImportError as error:
        what = f"an address needs more packages ({error}): install looptime[cluster] and those"
        raise LogError(what, os.fspath(path)) from error


def _size(path: str) -> int:
    if not is_address(path):
        return Path(path).stat().st_size
    with open_bytes(path) as file:
        return file.seek(0, os.SEEK_END)


def _meant(name: str) -> str:
    """The file of the same folder whose name is nearest to one that is not there."""
    folder, typed = Path(name).parent, Path(name).name
    try:
        there = [one.name for one in folder.iterdir() if not one.name.startswith(".")]
    except (OSError, ValueError):
        return ""
    meant = near(typed, there[:_LOOKED_AT], alike=_LIKE_NAMES)
    return "" if meant is None else f"; the nearest is {(folder / meant).as_posix()!r}"


def _is_special(path: str) -> bool:
    """Whether a path is a pipe or a device, which may wait or deliver for ever."""
    if is_address(path):
        return False
    try:
        mode = Path(path).stat().st_mode
    except (OSError, ValueError):
        return False
    return not (S_ISREG(mode) or S_ISDIR(mode))


def stored(path: str | os.PathLike[str]) -> bool:
    """Whether a file is a run that looptime exported, and no log."""
    if _is_special(os.fspath(path)):
        return False
    try:
        with open_bytes(path) as file:
            start = file.read(len(EXPORTED))
    except (OSError, ValueError, LogError):
        return False
    return start[:4] == _PARQUET or start == EXPORTED


def open_source(path: str | os.PathLike[str]) -> Source:
    """Look at a log's first bytes.

    Raises
    ------
    LogError
        If there is no such file, it is a folder, empty, cannot be opened, or is not text.
    """
    name = os.fspath(path)
    try:
        if not is_address(name) and Path(name).is_dir():
            os.scandir(name).close()  # one that may not be read is no folder to name files of
            raise LogError(
                "is a folder: name the log files in it, such as "
                f"{Path(name, '*.csv')} (looptime season add and dashboard take folders)",
                name,
            )
        if _is_special(name):
            raise LogError("is a pipe or a device: save the log to a file first", name)
        size = _size(name)
        if size == 0:
            raise LogError("is empty: nothing was logged", name)
        with open_bytes(name) as file:
            first = file.read(4)
    except FileNotFoundError as error:
        raise LogError(f"there is no such file{_meant(name)}", name) from error
    except OSError as error:
        raise LogError(f"cannot be read: {error.strerror or error}", name) from error
    except ValueError as error:  # a NUL in the name
        raise LogError("is not a file name", name) from error
    compression = "gzip" if first[:2] == _GZIP else "zstd" if first == _ZSTD else None
    raw = Source(name, size, compression, "utf-8")
    start = next(_raw(raw, HEAD_BYTES), b"")
    if not start.strip(b"\x00 \t\r\n"):
        raise LogError("holds no text: nothing was logged", name)
    encoding, bom = _encoding(start)
    if _is_binary(start, encoding):
        raise LogError("is not a text log: give a CSV file (gzip or zstd is fine)", name)
    return Source(name, size, compression, encoding, bom)


def _encoding(start: bytes) -> tuple[str, int]:
    for mark, name in _BOMS:
        wide = name == "utf-8" or 4 * start.count(0) > len(start)  # noise may look like a mark
        if start.startswith(mark) and wide:
            return name, len(mark)
    # UTF-16 without a mark: every other byte of plain digits and commas is zero
    sample = start[: len(start) // 2 * 2][:4096]
    if len(sample) >= 4:
        half = len(sample) / 2
        if sample[1::2].count(0) > 0.9 * half and sample[::2].count(0) < 0.1 * half:
            return "utf-16-le", 0
        if sample[::2].count(0) > 0.9 * half and sample[1::2].count(0) < 0.1 * half:
            return "utf-16-be", 0
    if _HIGH.search(start) and not _NOT_LATIN.search(start):
        return "latin-1", 0
    return "utf-8", 0


def _is_binary(start: bytes, encoding: str) -> bool:
    text = start.decode(encoding, "replace")[:65536].replace("\0", "")
    return len(_ODD.findall(text)) > 0.05 * len(text)


def _unpacked(file: BinaryIO, source: Source) -> BinaryIO:
    if source.compression is None:
        return file
    import pyarrow as pa

    return pa.CompressedInputStream(file, source.compression)


def _raw(source: Source, size: int) -> Iterator[bytes]:
    """Decompressed bytes in pieces of about `size`."""
    out = 0
    try:
        with open_bytes(source.path) as file, _unpacked(file, source) as stream:
            while piece := stream.read(size):
                out += len(piece)
                source.tell(file.tell())
                if out > _RATIO_COUNTS_FROM and out > _MOST_RATIO * source.size:
                    raise LogError(
                        f"unpacks to over {_MOST_RATIO} times its size: no timing log does; "
                        "unpack it by hand if it is one",
                        source.path,
                    )
                yield piece
    except OSError as error:
        if source.compression is None:
            raise LogError(f"cannot be read: {error}", source.path) from error
        rest = b"".join(_before_cut(source, out, min(size, HEAD_BYTES)))
        if not out and not rest:
            raise LogError(
                f"cannot be read: is not a readable {source.compression} file", source.path
            ) from error
        if CUT_SHORT not in source.cautions:
            source.cautions.append(CUT_SHORT)
        if rest:
            yield rest


def _before_cut(source: Source, done: int, size: int) -> Iterator[bytes]:
    """What a compressed file that was cut short holds between `done` and the cut.

    A read that meets the cut loses what it had unpacked, so the last stretch is read again in
    ever smaller steps.
    """
    while size >= 1:
        with open_bytes(source.path) as file, _unpacked(file, source) as stream:
            try:
                left = done
                while left:
                    left -= len(stream.read(min(left, HEAD_BYTES)))
                while piece := stream.read(size):
                    done += len(piece)
                    yield piece
                return
            except OSError:
                size //= 16


def _text(source: Source, size: int) -> Iterator[bytes]:
    """UTF-8 text in pieces, without byte-order mark and NUL bytes."""
    decoder = None
    if source.encoding != "utf-8":
        decoder = codecs.getincrementaldecoder(source.encoding)(errors="replace")
    skip = source.bom
    for raw in _raw(source, size):
        piece = raw[skip:] if skip else raw
        skip = 0
        if decoder is not None:
            piece = decoder.decode(piece).encode("utf-8", "replace")
        yield bytes(_without_nul(piece)) if 0 in piece else piece


def _without_nul(data: Bytes) -> Bytes:
    """A text without NUL bytes; `HOLE` stands for so many that something was lost there."""
    return _EMPTY.sub(HOLE, data).replace(b"\0", b"")


def head(source: Source) -> bytes:
    """The first lines of a log as UTF-8, ending at a line end where there is one."""
    text = next(_text(replace(source, progress=None), HEAD_BYTES), b"")
    if len(text) < HEAD_BYTES // 2:
        return text
    cut = text.rfind(b"\n") + 1
    return text[:cut] if cut else text


def blocks(source: Source, size: int | None = None, held: int = 0) -> Iterator[Block]:
    """Cut a log into blocks of whole lines.

    Parameters
    ----------
    source : Source
        The log, as `open_source` returns it.
    size : int, optional
        Size of a block [bytes]; otherwise one that gives every processor several.
    held : int
        If not 0, a block's data may be written over once so many later ones have been asked
        for, which spares the system to clear fresh memory for every block.

    Raises
    ------
    LogError
        If a line is longer than `LONGEST_LINE`, or the file cannot be read to its end.
    """
    if size is None:
        size = min(BLOCK_BYTES, max(_LEAST_BLOCK_BYTES, source.size // 8))
    if source.rewritten is not None:
        for number, data in enumerate(pieces(source.rewritten.data, size)):
            yield Block(data, number)
        return
    bare_cr = _only_cr(source)
    plain = source.compression is None and source.encoding == "utf-8"
    if held and plain and not bare_cr and not is_address(source.path):
        yield from _blocks_in_place(source, size, held)
        return
    rest = b""
    number = 0
    for piece in _text(source, size):
        text = piece.replace(b"\r", b"\n") if bare_cr else piece
        cut = text.rfind(b"\n") + 1
        if not cut:
            rest += text
            _check_line(len(rest), source)
            continue
        data = rest + text[:cut]
        rest = text[cut:]
        yield Block(data, number)
        number += 1
    if rest:
        yield Block(rest, number)


def _blocks_in_place(source: Source, size: int, held: int) -> Iterator[Block]:
    """Blocks of a plain file, read into a few buffers in turn."""
    ring = [bytearray() for _ in range(held + 1)]
    rest = b""
    number = 0
    try:
        with open_bytes(source.path) as file:
            file.seek(source.bom)
            while True:
                data = _buffer(ring, number, len(rest) + size)
                data[: len(rest)] = rest
                with memoryview(data) as view:
                    got = file.readinto(view[len(rest) :])  # type: ignore[attr-defined]
                del data[len(rest) + got :]
                if 0 in data:
                    data = bytearray(_without_nul(data))
                cut = data.rfind(b"\n") + 1 if got else len(data)
                rest = bytes(data[cut:])
                _check_line(len(rest), source)
                del data[cut:]
                if data:
                    yield Block(data, number)
                    number += 1
                if not got:
                    return
                source.tell(file.tell())
    except OSError as error:
        raise LogError(f"cannot be read: {error}", source.path) from error


def _buffer(ring: list[bytearray], number: int, size: int) -> bytearray:
    """The next buffer of a ring, with room for `size` bytes."""
    data = ring[number % len(ring)]
    try:
        data.extend(bytes(max(0, size - len(data))))
        del data[size:]
    except BufferError:  # someone still looks at it
        data = ring[number % len(ring)] = bytearray(size)
    return data


def _check_line(length: int, source: Source) -> None:
    if length > LONGEST_LINE:
        raise LogError(
            f"a line is longer than {LONGEST_LINE >> 20} MB: this is not a timing log",
            source.path,
        )


def _only_cr(source: Source) -> bool:
    start = head(source)
    return b"\r" in start and b"\n" not in start
