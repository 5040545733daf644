"""Runs in one file that is mapped into memory: a table of contents, then plain columns."""

import json
import os
import stat
import zlib
from dataclasses import fields
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from looptime.run import (
    CallColumns,
    Clock,
    LoopColumns,
    MarkColumns,
    Run,
    SetAside,
    Signals,
)
from looptime.schema import CallName
from looptime.tables import described, plain

__all__ = ["checksum", "load", "rebuilt", "save"]

_MAGIC = b"looptime prepared log 2\n"
_ALIGN = 64
_TABLES = {
    "loop_columns": LoopColumns,
    "call_columns": CallColumns,
    "set_aside": SetAside,
    "signals": Signals,
    "marks": MarkColumns,
}


def rebuilt(told: dict[str, Any], tables: dict[str, Any]) -> Run:
    """A run from what `described` returns and its tables.

    Parameters
    ----------
    told : dict
        Plain values.
    tables : dict
        Columns by table, as keyword arguments of `looptime.run`'s classes.
    """
    plain = {key: told[key] for key in ("loop_thread", "layout", "source", "rows_read",
                                        "rows_used", "loop_from", "dropped")}  # fmt: skip
    clock = dict(told["clock"])
    for key in ("wraps", "jumps", "restarts", "notes", "limits", "supposed", "unsaid"):
        clock[key] = tuple(clock.get(key, ()))
    made = {name: _TABLES[name](**columns) for name, columns in tables.items()}
    return Run(
        names=tuple(CallName(**name) for name in told["names"]),
        thread_names=tuple(told["thread_names"]),
        meta={str(key): str(value) for key, value in told["meta"].items()},
        clock=Clock(**clock),
        **plain,
        **made,
    )


def save(runs: tuple[Run, ...], file: BinaryIO, identity: str) -> None:
    """Write runs to an open file.

    Parameters
    ----------
    runs : tuple of Run
        In the order of the log.
    file : binary file
        Written from its start.
    identity : str
        What the runs were made from; the copy is believed for nothing else.
    """
    columns: list[NDArray[Any]] = []
    place = 0
    told = []
    for run in runs:
        tables: dict[str, dict[str, Any]] = {}
        for table, name, column in _columns(run):
            flat = column.strides == (0,) and len(column) > 1
            stored = np.ascontiguousarray(column[:1] if flat else column)
            tables.setdefault(table, {})[name] = {
                "at": place, "dtype": stored.dtype.str, "count": len(column), "flat": flat,
                "check": checksum(stored),
            }  # fmt: skip
            columns.append(stored)
            place += -(-stored.nbytes // _ALIGN) * _ALIGN
        told.append({**described(run), "text": list(run.set_aside.text), "tables": tables})
    said = {"identity": identity, "size": place, "runs": told}
    contents = json.dumps(said, default=plain).encode()
    head = _MAGIC + f"{len(contents):16d}{zlib.crc32(contents):12d}".encode()
    file.write(head + contents)
    file.write(b"\0" * (-(len(head) + len(contents)) % _ALIGN))
    for stored in columns:
        file.write(_bytes(stored))
        file.write(b"\0" * (-stored.nbytes % _ALIGN))


def _columns(run: Run) -> list[tuple[str, str, NDArray[Any]]]:
    found = []
    for table in _TABLES:
        columns = getattr(run, table)
        if columns is None:
            continue
        for f in fields(columns):
            value = getattr(columns, f.name)
            if isinstance(value, np.ndarray):
                found.append((table, f.name, value))
    if run.signals is not None:
        found += [("signal values", name, value) for name, value in run.signals.values.items()]
    return found


def _bytes(column: NDArray[Any]) -> memoryview:
    """A column's bytes, without a copy."""
    return memoryview(column.view(np.uint8).data) if column.nbytes else memoryview(b"")


def checksum(column: NDArray[Any]) -> int:
    """CRC of a column's bytes: any change within 32 bits shows, and any two bits wherever they are.

    Sums of weighted words are quicker, but two highest bits cancel in them, and numbers that
    change places far from each other do where their weights share low bits.

    Parameters
    ----------
    column : array
        In one stretch of memory.

    Examples
    --------
    >>> import numpy as np
    >>> checksum(np.array([1, 2, 3])) == checksum(np.array([2, 1, 3]))
    False
    """
    return zlib.crc32(_bytes(column))


def load(path: Path, identity: str) -> tuple[Run, ...]:
    """Map a file that `save` wrote.

    Parameters
    ----------
    path : Path
        The file; its columns stay mapped as long as they are in use.
    identity : str
        As it was saved.

    Raises
    ------
    OSError, ValueError
        If it is damaged, of another log, no plain file, or another user's.
    """
    with _open_own(path) as file:
        mapped = np.memmap(file, np.uint8, "r")
    start = len(_MAGIC)
    if bytes(mapped[:start]) != _MAGIC:
        raise ValueError("not a prepared log")
    length, check = (
        int(bytes(mapped[start : start + 16])),
        int(bytes(mapped[start + 16 : start + 28])),
    )
    start += 28
    contents = bytes(mapped[start : start + length])
    if len(contents) != length or zlib.crc32(contents) != check:
        raise ValueError("damaged table of contents")
    told = json.loads(contents)
    if told["identity"] != identity:
        raise ValueError("of another log, or read in another way")
    base = -(-(start + length) // _ALIGN) * _ALIGN
    if len(mapped) != base + told["size"]:
        raise ValueError("cut short")
    return tuple(_run(one, np.asarray(mapped), base) for one in told["runs"])


def _open_own(path: Path) -> BinaryIO:
    """Open a plain file of the same user; a pipe or a link is not followed and never waits."""
    flags = (getattr(os, flag, 0) for flag in ("O_BINARY", "O_NOFOLLOW", "O_NONBLOCK"))
    file = os.fdopen(os.open(path, os.O_RDONLY | sum(flags)), "rb")
    info = os.fstat(file.fileno())
    user = os.getuid() if hasattr(os, "getuid") else info.st_uid
    if not stat.S_ISREG(info.st_mode) or info.st_uid != user:
        file.close()
        raise ValueError("not a plain file of this user")
    return file


def _run(told: dict[str, Any], data: NDArray[np.uint8], base: int) -> Run:
    tables: dict[str, dict[str, Any]] = {}
    for table, columns in told["tables"].items():
        tables[table] = {name: _column(one, data, base) for name, one in columns.items()}
    if "signals" in tables:
        tables["signals"]["values"] = tables.pop("signal values", {})
    tables["loop_columns"]["phase_names"] = tuple(told["phase_names"])
    tables["set_aside"]["text"] = tuple(told["text"])
    return rebuilt(told, tables)


def _column(one: dict[str, Any], data: NDArray[np.uint8], base: int) -> NDArray[Any]:
    dtype = np.dtype(one["dtype"])
    count = 1 if one["flat"] else one["count"]
    low = base + one["at"]
    column = data[low : low + count * dtype.itemsize].view(dtype)
    if checksum(column) != one["check"]:
        raise ValueError("damaged column")
    return np.broadcast_to(column, one["count"]) if one["flat"] else column
