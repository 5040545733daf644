"""A run as one Arrow table: every record of it a row, units in the column names."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from looptime.run import Run
from looptime.schema import REASONS, SCHEMA_VERSION

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = [
    "KEY", "RECORDS", "SIGNAL", "canonical_table", "described", "plain", "told", "write_parquet",
]  # fmt: skip

#: Kinds of record, in the order in which they stand: a loop, a call, the part of a call's self
#: time that falls into a later loop, a row of signals, a reading handed between threads, a row
#: of the log that was set aside.
RECORDS = ("loop", "call", "reach", "signal", "mark", "set aside")
#: Key of the schema's metadata that holds everything else, as JSON.
KEY = b"looptime"
# rows in a group of a Parquet file
_GROUP = 1 << 20
#: What the name of a signal's column begins with.
SIGNAL = "signal."


def canonical_table(runs: tuple[Run, ...]) -> pa.Table:
    """Runs as one table.

    Returns
    -------
    pyarrow.Table
        Column `run` counts the runs from 0, `record` is one of `RECORDS`, `at` the place of the
        loop (from 0) that a record belongs to, `row` that of the call; other columns are those
        of `looptime.schema`, null where a record has none, and ``signal.NAME``.

    Examples
    --------
    >>> import numpy as np
    >>> from looptime.run import LoopColumns, Run
    >>> loops = LoopColumns(np.arange(2), np.array([0, 9]), np.array([9, 9]))
    >>> canonical_table((Run(loops),)).column_names
    ['run', 'record', 'loop', 'start_ns', 'period_ns']
    """
    import pyarrow as pa

    parts = []
    for number, run in enumerate(runs):
        for record, columns in _records(run):
            count = len(next(iter(columns.values())))
            made = {key: _array(value) for key, value in columns.items()}
            head = {
                "run": pa.array(np.full(count, number, np.int16)),
                "record": _coded(np.full(count, RECORDS.index(record), np.int8), list(RECORDS)),
            }
            parts.append(pa.table({**head, **made}))
    plain = [_undictionary(part) if len(runs) > 1 else part for part in parts]
    return pa.concat_tables(plain, promote_options="permissive").unify_dictionaries()


def _records(run: Run) -> list[tuple[str, dict[str, Any]]]:
    """Columns of every kind of record; a pair of codes and words is a column of words."""
    threads = list(run.thread_names)
    names = [name.name for name in run.names]
    found = [("loop", _loops(run))]
    at = run.call_columns
    if len(at):
        calls = {
            "at": at.loop, "thread": (at.thread, threads), "name": (at.name, names),
            "start_ns": at.start_ns, "duration_ns": at.duration_ns.astype(np.int64),
            "self_ns": at.self_ns.astype(np.int64),
            "depth": at.depth.astype(np.int16), "seq": at.seq, "cpu_ns": at.cpu_ns,
        }  # fmt: skip
        found.append(("call", _given(calls)))
    if len(at.spill_row):
        reach = {"at": at.spill_loop, "row": at.spill_row, "self_ns": at.spill_ns}
        found.append(("reach", reach))
    if run.signals is not None:
        values = {SIGNAL + name: column for name, column in run.signals.values.items()}
        signals = {"at": run.signals.loop, "start_ns": run.signals.time_ns, **values}
        found.append(("signal", signals))
    if run.marks is not None:
        marks = run.marks
        found.append(("mark", {
            "at": marks.loop, "thread": (marks.thread, threads), "name": (marks.name, names),
            "start_ns": marks.time_ns, "used": marks.used,
        }))  # fmt: skip
    if len(run.set_aside):
        aside = run.set_aside
        text = [*aside.text, *[None] * (len(aside) - len(aside.text))]
        found.append(("set aside", {
            "line": aside.line, "reason": (aside.reason, list(REASONS)), "text": text,
        }))  # fmt: skip
    return found


def _loops(run: Run) -> dict[str, Any]:
    at = run.loop_columns
    phase = None if at.phase is None else (at.phase, list(at.phase_names))
    return _given(
        {"loop": at.loop.astype(np.int64), "start_ns": at.start_ns, "period_ns": at.period_ns,
         "body_ns": at.body_ns, "phase": phase,
         "line": None if at.line is None else at.line.astype(np.int64)}
    )  # fmt: skip


def _given(columns: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in columns.items() if value is not None}


def _array(value: object) -> pa.Array:
    import pyarrow as pa

    if isinstance(value, tuple):
        return _coded(*value)
    if isinstance(value, list):
        return pa.array(value, pa.string())
    # a signal that is missing is NaN in a run and in the file
    return pa.array(np.ascontiguousarray(value))


def _coded(codes: NDArray[np.integer[Any]], words: list[str]) -> pa.Array:
    import pyarrow as pa

    codes = np.ascontiguousarray(codes, np.int32)
    return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(words, pa.string()))


def _undictionary(part: pa.Table) -> pa.Table:
    """Words as plain texts, where several runs have their own."""
    import pyarrow as pa

    fields = [
        field.with_type(pa.string()) if pa.types.is_dictionary(field.type) else field
        for field in part.schema
    ]
    return part.cast(pa.schema(fields))


def described(run: Run) -> dict[str, Any]:
    """What a run holds beside its columns, as plain values for JSON."""
    clock = {f.name: getattr(run.clock, f.name) for f in fields(run.clock)}
    return {
        "names": [{f.name: getattr(n, f.name) for f in fields(n)} for n in run.names],
        "phase_names": list(run.loop_columns.phase_names),
        "thread_names": list(run.thread_names),
        "loop_thread": run.loop_thread,
        "layout": run.layout,
        "source": run.source,
        "rows_read": run.rows_read,
        "rows_used": run.rows_used,
        "loop_from": run.loop_from,
        "dropped": run.dropped,
        "meta": run.meta,
        "clock": clock,
    }


def plain(value: object) -> object:
    """A NumPy number as JSON takes it, for `json.dumps`."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value)} has no place in the metadata")


def told(runs: Sequence[Run]) -> dict[str, Any]:
    """What `canonical_table` does not hold, as plain values for JSON."""
    found = []
    for run in runs:
        one = described(run)
        one["texts"] = len(run.set_aside.text)
        one["signals"] = None if run.signals is None else list(run.signals.values)
        one["has"] = {
            "calls": [f.name for f in fields(run.call_columns)
                      if getattr(run.call_columns, f.name) is not None],
            "loops": [f.name for f in fields(run.loop_columns)
                      if getattr(run.loop_columns, f.name) is not None],
            "marks": run.marks is not None,
        }  # fmt: skip
        found.append(one)
    return {"schema_version": SCHEMA_VERSION, "runs": found}


def write_parquet(runs: Sequence[Run], path: str | os.PathLike[str]) -> None:
    """Write runs to a Parquet file, with what is no table in the schema's metadata.

    Parameters
    ----------
    runs : sequence of looptime.run.Run
        Runs of one log.
    path : path-like
        The file; it is replaced if it is there.
    """
    import pyarrow.parquet as pq

    table = canonical_table(tuple(runs))
    table = table.replace_schema_metadata({KEY: json.dumps(told(runs), default=plain).encode()})
    pq.write_table(table, os.fspath(path), compression="zstd", row_group_size=_GROUP)
