"""One entry of a season as a Parquet file: one row, with nested tables."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from looptime.checks.recording.facts import Facts
from looptime.checks.recording.figures import CallValues, RunValues, Value
from looptime.checks.recording.histogram import Histogram
from looptime.errors import LooptimeError
from looptime.files import open_plain
from looptime.records import dataclass

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = [
    "COLUMNS",
    "ENTRY_VERSION",
    "DamagedError",
    "Entry",
    "from_bytes",
    "from_file",
    "to_bytes",
]

#: Version of the files; raised when a column changes its meaning. See `MIGRATIONS`.
ENTRY_VERSION = 1

#: From each older version, what makes a row of the next one of it.
MIGRATIONS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}

_FACTS = (
    "source", "robot", "version", "label", "time", "layout", "pacing_mode", "nominal_hz",
    "work_known", "judged", "budget_ms", "serious_ms", "cut_s", "tick_ns", "loops",
    "warmup_loops", "duration_s", "rows_read", "rows_set_aside", "dropped", "opening", "supposed",
)  # fmt: skip


#: What each column holds; a file is one row. Nested columns are lists of structures.
COLUMNS: dict[str, str] = {
    "schema_version": "version of this table",
    "entry": "SHA-256 of the run's loops, calls, threads and phases; the file's name",
    "log_hash": "SHA-256 of the log's bytes",
    "part": "part of the log that was looked at, for example phase=transport",
    "runs_in_log": "runs that the log holds",
    "source": "path of the log as it was given",
    "robot": "robot", "version": "code version", "label": "label of the team",
    "time": "start of the recording, ISO 8601",
    "layout": "layout of the log",
    "pacing_mode": "how the loop is paced", "nominal_hz": "nominal loop rate [1/s]",
    "work_known": "whether work can be told", "judged": "work or period: what is judged",
    "budget_ms": "periods above are overruns [ms]", "serious_ms": "and serious ones [ms]",
    "cut_s": "least cut at the start [s]", "tick_ns": "clock tick [ns]",
    "loops": "loops judged", "warmup_loops": "loops cut off before them",
    "duration_s": "sum of the periods judged [s]",
    "rows_read": "rows of the log", "rows_set_aside": "rows of it that were not used",
    "dropped": "rows that the recorder lost",
    "opening": "SHA-256 of the first loops, which copies of a recording share",
    "supposed": "what its figures rest on though little shows it",
    "phases": "phases and their shares of the loops",
    "max_period_ms": "longest period [ms]", "max_work_ms": "longest work [ms]",
    "values": "figures: quantity, statistic, value [ms; counts; 1/s], the value judged (freed from"
    " a coarse tick), its standard error within the run, loops, whether it drifts, whether the"
    " loops are enough",
    "calls": "each call's labels, count, exact self time [ns], mean and p99 of the self time per"
    " loop as in values, and durations of whole calls [ms]; the last is what no call covers",
    "histograms": "of period, work and each call's durations: exact sum and extremes [ns], and"
    " counts by bin number, see looptime.checks.recording.histogram",
}  # fmt: skip


class DamagedError(LooptimeError):
    """A file of a season cannot be read."""


@dataclass(frozen=True)
class Entry:
    """A run of a season."""

    name: str  #: Hash of the run's content (`looptime.checks.recording.figures.content_hash`)
    values: RunValues
    log_hash: str = ""  #: SHA-256 of the log's bytes; empty where it was not read from a file
    #: The part of the log that was looked at, for example ``phase=transport``; else empty.
    part: str = ""
    runs_in_log: int = 1  #: Runs that the log holds

    @property
    def facts(self) -> Facts:
        """What is known of the run."""
        return self.values.facts


def _schema() -> pa.Schema:
    import pyarrow as pa

    text, real, whole, yes = pa.string(), pa.float64(), pa.int64(), pa.bool_()
    value = pa.struct(
        [("quantity", text), ("statistic", text), ("value", real), ("judged", real), ("se", real),
         ("n", whole), ("drifting", yes), ("enough", yes)]
    )  # fmt: skip
    call = pa.struct(
        [("name", text), ("thread", text), ("kind", text), ("subsystem", text), ("device", text),
         ("bus", text), ("on_loop_thread", yes), ("counts", yes), ("calls", whole),
         ("total_ns", whole), ("mean", value), ("p99", value), ("duration_mean_ms", real),
         ("duration_p50_ms", real), ("duration_p99_ms", real), ("duration_max_ms", real)]
    )  # fmt: skip
    histogram = pa.struct(
        [("quantity", text), ("name", text), ("thread", text), ("total_ns", whole),
         ("least_ns", whole), ("most_ns", whole), ("bins", pa.list_(pa.int16())),
         ("counts", pa.list_(whole))]
    )  # fmt: skip
    kinds = {
        "nominal_hz": real, "work_known": yes, "budget_ms": real, "serious_ms": real,
        "cut_s": real, "tick_ns": whole, "loops": whole, "warmup_loops": whole,
        "duration_s": real, "rows_read": whole, "rows_set_aside": whole, "dropped": whole,
    }  # fmt: skip
    return pa.schema(
        [("schema_version", pa.int32()), ("entry", text), ("log_hash", text), ("part", text),
         ("runs_in_log", pa.int32()),
         *((name, kinds.get(name, text)) for name in _FACTS),
         ("phases", pa.list_(pa.struct([("phase", text), ("share", real)]))),
         ("max_period_ms", real), ("max_work_ms", real),
         ("values", pa.list_(value)), ("calls", pa.list_(call)),
         ("histograms", pa.list_(histogram))]
    )  # fmt: skip


def _row(entry: Entry) -> dict[str, Any]:
    at, facts = entry.values, entry.facts
    return {
        "schema_version": ENTRY_VERSION,
        "entry": entry.name,
        "log_hash": entry.log_hash,
        "part": entry.part,
        "runs_in_log": entry.runs_in_log,
        **{name: getattr(facts, name) for name in _FACTS},
        "phases": [{"phase": name, "share": share} for name, share in facts.phases],
        "max_period_ms": at.max_ms.get("period"),
        "max_work_ms": at.max_ms.get("work"),
        "values": [vars(v) for v in at.values],
        "calls": [{**vars(c), "mean": vars(c.mean), "p99": vars(c.p99)} for c in at.calls],
        "histograms": [
            {"quantity": quantity, "name": name, "thread": thread, **vars(h)}
            for (quantity, name, thread), h in sorted(at.histograms.items())
        ],
    }  # fmt: skip


def to_bytes(entry: Entry) -> bytes:
    """The entry as a Parquet file; the same entry always gives the same bytes.

    Text that is not valid Unicode is stored with replacement characters.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    row, schema = _row(entry), _schema()
    columns = [_array([row[field.name]], field.type) for field in schema]
    table = pa.Table.from_arrays(columns, schema=schema)
    sink = io.BytesIO()
    pq.write_table(table, sink, compression="zstd", write_page_checksum=True, store_schema=False)
    return sink.getvalue()


def _array(values: Sequence[Any], kind: pa.DataType) -> pa.Array:
    """Values, None where there is none, as an array; Arrow would ask pandas what they are.

    Lone surrogates, which Parquet cannot hold, are replaced.
    """
    import pyarrow as pa

    absent = sum(value is None for value in values) if isinstance(values, list) else 0
    there = pa.py_buffer(_bits([value is not None for value in values])) if absent else None
    if pa.types.is_struct(kind):
        parts = [_array([v and v[at.name] for v in values], at.type) for at in kind]
        return pa.Array.from_buffers(kind, len(values), [there], absent, children=parts)
    if pa.types.is_list(kind):
        ends = np.cumsum([0, *map(len, values)], dtype=np.int32)
        counts = len(values) > 0 and isinstance(values[0], np.ndarray)
        inner: Any = np.concatenate(values) if counts else list(chain(*values))
        parts = [_array(inner, kind.value_type)]
        return pa.Array.from_buffers(
            kind, len(values), [there, pa.py_buffer(ends)], absent, children=parts
        )
    if pa.types.is_string(kind):
        every = [b"" if value is None else value.encode("utf-8", "replace") for value in values]
        ends = np.cumsum([0, *map(len, every)], dtype=np.int32)
        data = [pa.py_buffer(ends), pa.py_buffer(b"".join(every))]
    elif pa.types.is_boolean(kind):
        data = [pa.py_buffer(_bits(values))]
    else:
        known = [value or 0 for value in values] if absent else values
        data = [pa.py_buffer(np.asarray(known, np.dtype(kind.to_pandas_dtype())))]
    return pa.Array.from_buffers(kind, len(values), [there, *data], absent)


def _bits(values: Sequence[Any]) -> NDArray[np.uint8]:
    return np.packbits(np.array(values, bool), bitorder="little")


def from_file(path: Path, histograms: bool = True) -> Entry:
    """Read an entry, with or without its histograms; an older version is migrated.

    Raises
    ------
    DamagedError
        If the file is damaged, cannot be read or was written by a newer version.
    """
    try:
        with open_plain(path) as file:
            data = file.read()
    except OSError as error:
        raise DamagedError(f"{path}: cannot be read: {error.strerror}") from error
    entry = from_bytes(data, str(path), histograms)
    if path.stem != entry.name:
        raise DamagedError(f"{path}: holds the entry {entry.name[:12]}, not what its name says")
    return entry


def from_bytes(data: bytes, where: str = "entry", histograms: bool = True) -> Entry:
    """The entry that a file's bytes hold; see `from_file`."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(pa.BufferReader(data), page_checksum_verification=True)
        names = [n for n in file.schema_arrow.names if histograms or n != "histograms"]
        row = {"histograms": []} | file.read(names, use_threads=False).to_pylist()[0]
        version = int(row["schema_version"])
    except (pa.ArrowException, OSError, ValueError, KeyError, IndexError, TypeError) as error:
        raise DamagedError(f"{where}: is damaged: add its log again, or drop it") from error
    if version > ENTRY_VERSION:
        raise DamagedError(
            f"{where}: has version {version}, this looptime reads up to {ENTRY_VERSION}: update it"
        )
    while version < ENTRY_VERSION:
        if version not in MIGRATIONS:
            raise DamagedError(f"{where}: has version {version}, which is not known")
        row = MIGRATIONS[version](row)
        version += 1
    try:
        return _entry(row)
    except (KeyError, TypeError, ValueError) as error:
        raise DamagedError(f"{where}: is damaged: add its log again, or drop it") from error


def _entry(row: dict[str, Any]) -> Entry:
    facts = Facts(
        **{name: row[name] for name in _FACTS if name in row},  # older files have fewer
        phases=tuple((p["phase"], p["share"]) for p in row["phases"]),
    )
    values = tuple(Value(**v) for v in row["values"])
    calls = tuple(
        CallValues(**{**c, "mean": Value(**c["mean"]), "p99": Value(**c["p99"])})
        for c in row["calls"]
    )
    histograms = {
        (h["quantity"], h["name"], h["thread"]): Histogram(
            np.array(h["bins"], np.int64), np.array(h["counts"], np.int64),
            h["total_ns"], h["least_ns"], h["most_ns"],
        )
        for h in row["histograms"]
    }  # fmt: skip
    longest = {"period": row["max_period_ms"], "work": row["max_work_ms"]}
    return Entry(
        row["entry"],
        RunValues(facts, values, calls, histograms, {k: v for k, v in longest.items() if v}),
        row["log_hash"],
        row["part"],
        row["runs_in_log"],
    )
