"""Runs as Parquet or CSV for notebooks and other tools, and the same runs read back."""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from looptime.array_types import Int
from looptime.errors import LogError, UsageError
from looptime.files import whole_file
from looptime.parsers.kept.packed import rebuilt
from looptime.parsers.text.source import EXPORTED
from looptime.run import CallColumns, MarkColumns, Run
from looptime.schema import REASONS, SCHEMA_VERSION
from looptime.tables import KEY, RECORDS, SIGNAL, canonical_table, plain, told, write_parquet

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["neutral", "read_stored", "write_runs"]

#: Cells that begin so are formulas to a spreadsheet; a leading apostrophe makes them text.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "'")


def neutral(text: str) -> str:
    """A cell that no spreadsheet takes for a formula.

    Examples
    --------
    >>> neutral("=1+1"), neutral("gyro.read")
    ("'=1+1", 'gyro.read')
    """
    return "'" + text if text.startswith(_FORMULA) else text


def write_runs(runs: Sequence[Run], path: str | os.PathLike[str]) -> None:
    """Write runs to one file, as `looptime.tables.canonical_table` lays them out.

    Parameters
    ----------
    runs : sequence of Run
        The runs of one log.
    path : path-like
        Ends in ``.parquet`` or ``.csv``. The file appears whole or not at all.

    Raises
    ------
    UsageError
        If the name ends otherwise, or the file cannot be written.
    """
    place = Path(path)
    write = {".parquet": write_parquet, ".csv": _write_csv}.get(place.suffix.lower())
    if write is None:
        raise UsageError(f"{place}: name the file .parquet or .csv")
    with whole_file(place) as part:
        write(runs, part)


def _write_csv(runs: Sequence[Run], path: Path) -> None:
    import pyarrow as pa
    import pyarrow.csv as pacsv

    table = canonical_table(tuple(runs))
    beside = json.dumps({**told(runs), "rows": table.num_rows}, default=plain).encode()

    with path.open("wb") as file:
        # in one cell without any delimiter, whatever the log's own texts hold
        file.write(EXPORTED + base64.b64encode(beside) + b"\n")
        names = [neutral(name) for name in table.column_names]
        columns = [_neutral_column(column) for column in table.columns]
        pacsv.write_csv(pa.table(columns, names=names), file)


def _neutral_column(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of texts without formulas."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if pa.types.is_dictionary(column.type):
        column = column.cast(pa.string())
    if not pa.types.is_string(column.type):
        return column
    risky = pc.match_substring_regex(column, r"^[=+\-@\t\r\n']")
    return pc.if_else(risky, pc.binary_join_element_wise("'", column, ""), column)


def read_stored(path: str | os.PathLike[str]) -> tuple[Run, ...]:
    """The runs of a file that `write_runs` wrote.

    Parameters
    ----------
    path : path-like
        A Parquet or CSV file.

    Raises
    ------
    LogError
        If looptime did not write the file, or it is damaged.
    """
    place = Path(path)
    name = os.fspath(path)
    try:
        with place.open("rb") as file:
            is_csv = file.read(len(EXPORTED)) == EXPORTED
        said, table = _read_csv(place) if is_csv else _read_parquet(place, name)
        if said["schema_version"] != SCHEMA_VERSION:
            raise LogError(
                f"was exported with schema version {said['schema_version']}, this looptime reads "
                f"{SCHEMA_VERSION}: export the log again",
                name,
            )
        return tuple(_run(one, table, number) for number, one in enumerate(said["runs"]))
    except LogError:
        raise
    except OSError as error:
        raise LogError(f"cannot be read: {error}", name) from error
    except (ValueError, KeyError, TypeError, IndexError, OverflowError) as error:
        # pyarrow's own errors are among these
        raise LogError("is a damaged export: export the log again", name) from error


def _read_parquet(path: Path, name: str) -> tuple[dict[str, Any], pa.Table]:
    import pyarrow.parquet as pq

    words = ["record", "thread", "name", "phase", "reason"]
    table = pq.read_table(path, read_dictionary=words)
    said = (table.schema.metadata or {}).get(KEY)
    if said is None:
        raise LogError(
            "is a Parquet file that looptime did not write: give it as CSV, whose columns can be "
            "named with --columns",
            name,
        )
    return json.loads(said), table


def _read_csv(path: Path) -> tuple[dict[str, Any], pa.Table]:
    import pyarrow as pa
    import pyarrow.csv as pacsv

    with path.open("rb") as file:
        first = file.readline()
        header = file.readline().decode("utf-8")
        file.seek(-1, os.SEEK_END)
        cut = file.read() != b"\n"
    said = json.loads(base64.b64decode(first[len(EXPORTED) :].strip(), validate=True))
    coded = pa.dictionary(pa.int32(), pa.string())
    types: dict[str, pa.DataType] = dict.fromkeys(
        ("record", "thread", "name", "phase", "reason"), coded
    )
    types.update(text=pa.string(), used=pa.bool_())
    names = pacsv.read_csv(pa.BufferReader(header.encode() * 2)).column_names
    types.update({key: pa.float64() for key in names if key.startswith(SIGNAL)})
    types.update({key: pa.int64() for key in names if key not in types})
    table = pacsv.read_csv(
        path,
        read_options=pacsv.ReadOptions(skip_rows=1),
        parse_options=pacsv.ParseOptions(newlines_in_values=True),
        convert_options=pacsv.ConvertOptions(
            column_types=types, null_values=[""], strings_can_be_null=True,
            quoted_strings_can_be_null=False,
        ),
    )  # fmt: skip
    if cut or table.num_rows != said.get("rows", table.num_rows):
        raise ValueError("the end is missing")
    return said, _as_text(table)


def _as_text(table: pa.Table) -> pa.Table:
    """Take off the apostrophes that `neutral` put on."""
    import pyarrow as pa
    import pyarrow.compute as pc

    def bare(column: pa.ChunkedArray) -> pa.ChunkedArray:
        coded = pa.types.is_dictionary(column.type)
        if not coded and not pa.types.is_string(column.type):
            return column
        text = column.cast(pa.string())
        text = pc.if_else(pc.starts_with(text, "'"), pc.utf8_slice_codeunits(text, 1), text)
        return text.dictionary_encode() if coded else text

    return pa.table([bare(column) for column in table.columns], names=table.column_names)


class _Part:
    """The records of one kind in one run, as columns."""

    def __init__(self, table: pa.Table, run: int, record: str) -> None:
        import pyarrow.compute as pc

        kinds = table["record"]
        mine = pc.and_(pc.equal(table["run"], run), pc.equal(kinds, record))
        self.table = table.filter(mine)

    def __len__(self) -> int:
        return int(self.table.num_rows)

    def numbers(self, name: str, dtype: Any) -> Int:
        column = self.table[name].combine_chunks()
        if column.null_count:
            raise ValueError(f"column {name} has gaps")
        return np.ascontiguousarray(column.to_numpy(zero_copy_only=False)).astype(dtype)

    def codes(self, name: str, words: Sequence[str], dtype: Any) -> Int:
        column = self.table[name].cast("string").dictionary_encode().combine_chunks()
        if column.null_count:
            raise ValueError(f"column {name} has gaps")
        place = {word: code for code, word in enumerate(words)}
        known = np.asarray([place[word] for word in column.dictionary.to_pylist()] or [0], dtype)
        return known[column.indices.to_numpy()]

    def places(self, name: str, count: int, dtype: Any) -> Int:
        values = self.numbers(name, np.int64)
        if len(values) and not (values.min() >= 0 and values.max() < count):
            raise ValueError(f"column {name} points at nothing")
        return values.astype(dtype)


def _run(said: dict[str, Any], table: pa.Table, number: int) -> Run:
    """One run from the table and from what stands beside it."""
    parts = {record: _Part(table, number, record) for record in RECORDS}
    words = {
        "thread": (said["thread_names"], np.int16),
        "name": ([name["name"] for name in said["names"]], np.int32),
        "phase": (said["phase_names"], np.int16),
    }
    loops = len(parts["loop"])
    tables: dict[str, Any] = {"loop_columns": _loops(parts["loop"], said, words)}
    tables["call_columns"] = _calls(parts, said, words, loops)
    if said["signals"] is not None:
        tables["signals"] = _signals(parts["signal"], said["signals"], loops)
    if said["has"]["marks"]:
        mark = parts["mark"]
        tables["marks"] = {
            "time_ns": mark.numbers("start_ns", np.int64),
            "loop": mark.places("at", loops, np.int32),
            "thread": mark.codes("thread", *words["thread"]),
            "name": mark.codes("name", *words["name"]),
            "used": mark.numbers("used", np.bool_),
        } if len(mark) else _no_marks()  # fmt: skip
    aside = parts["set aside"]
    if len(aside):
        text = aside.table["text"].to_pylist()[: said["texts"]]
        tables["set_aside"] = {
            "line": aside.numbers("line", np.int64),
            "reason": aside.codes("reason", REASONS, np.int16),
            "text": tuple(one or "" for one in text),
        }
    return rebuilt(said, tables)


def _no_marks() -> dict[str, Any]:
    none = np.empty(0, np.int64)
    empty = MarkColumns(none, none.astype(np.int32), none.astype(np.int16),
                        none.astype(np.int32), none.astype(bool))  # fmt: skip
    return {f.name: getattr(empty, f.name) for f in fields(MarkColumns)}


def _loops(part: _Part, said: dict[str, Any], words: dict[str, Any]) -> dict[str, Any]:
    has = said["has"]["loops"]
    columns: dict[str, Any] = {
        name: part.numbers(name, np.int64)
        for name in ("loop", "start_ns", "period_ns", "body_ns", "line")
        if name in has
    }
    if "phase" in has:
        columns["phase"] = part.codes("phase", *words["phase"])
    columns["phase_names"] = tuple(said["phase_names"])
    return columns


def _calls(
    parts: dict[str, _Part], said: dict[str, Any], words: dict[str, Any], loops: int
) -> dict[str, Any]:
    part, reach = parts["call"], parts["reach"]
    if not len(part):
        empty = CallColumns.empty()
        return {f.name: getattr(empty, f.name) for f in fields(CallColumns)}
    columns: dict[str, Any] = {
        name: part.numbers(name, np.int64)
        for name in ("start_ns", "duration_ns", "self_ns", "seq", "cpu_ns")
        if name in said["has"]["calls"]
    }
    columns["loop"] = part.places("at", loops, np.int32)
    columns["depth"] = part.numbers("depth", np.int16)
    columns["thread"] = part.codes("thread", *words["thread"])
    columns["name"] = part.codes("name", *words["name"])
    if len(reach):
        columns["spill_row"] = reach.places("row", len(part), np.int64)
        columns["spill_loop"] = reach.places("at", loops, np.int32)
        columns["spill_ns"] = reach.numbers("self_ns", np.int64)
    return columns


def _signals(part: _Part, names: list[str], loops: int) -> dict[str, Any]:
    if not len(part):
        none = np.empty(0, np.int64)
        return {"time_ns": none, "loop": none.astype(np.int32),
                "values": {name: np.empty(0) for name in names}}  # fmt: skip
    values = {}
    for name in names:
        column = part.table[SIGNAL + name].combine_chunks()
        values[name] = column.to_numpy(zero_copy_only=False).astype(np.float64)
    return {
        "time_ns": part.numbers("start_ns", np.int64),
        "loop": part.places("at", loops, np.int32),
        "values": values,
    }
