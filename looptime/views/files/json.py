"""JSON output: documented keys with units in their names, undefined as null, never NaN."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from looptime.analysers.estimate import to_json
from looptime.parsers.read import Log
from looptime.schema import SCHEMA_VERSION

if TYPE_CHECKING:
    from looptime.parsers.columns_taken import ColumnsTaken
    from looptime.run import Clock

__all__ = ["document", "dumps", "log_head"]


def document(**parts: Any) -> dict[str, Any]:
    """A JSON document that begins with the schema's version.

    Examples
    --------
    >>> document(logs=[])
    {'schema_version': 1, 'logs': []}
    """
    return {"schema_version": SCHEMA_VERSION, **parts}


def dumps(data: dict[str, Any]) -> str:
    """JSON text in plain ASCII, so that no console or pipe can garble it.

    Raises
    ------
    ValueError
        If a figure is NaN or infinite: undefined must be None.
    """
    return json.dumps(to_json(data), indent=1, allow_nan=False)


def columns_taken(found: ColumnsTaken) -> dict[str, Any]:
    """What was understood of a log: ``path, layout, loops_from, stamped, clock, columns[]``."""
    return {
        "path": found.path, "layout": found.layout, "loops_from": found.loops_from,
        "stamped": found.stamped or None, "clock": _clock(found.clock),
        "columns": [asdict(one) for one in found.columns],
    }  # fmt: skip


def _clock(clock: Clock) -> dict[str, Any]:
    """How a log's clock was read."""
    return {
        "unit": clock.unit, "unit_from": clock.unit_from, "tick_ns": clock.tick_ns,
        "wraps": [dict(one) for one in clock.wraps], "jumps": [dict(one) for one in clock.jumps],
        "restarts": list(clock.restarts), "other": clock.other, "missing": clock.missing,
        "notes": list(clock.notes), "limits": list(clock.limits),
        "supposed": list(clock.supposed),
    }  # fmt: skip


def log_head(log: Log) -> dict[str, Any]:
    """What a log file is: ``path, rows, layout, clock`` of ``logs[]``."""
    clock = log.runs[0].clock
    return {
        "path": log.path,
        "rows": {
            "read": log.rows_read,
            "used": log.rows_used,
            "set_aside": log.rows_read - log.rows_used,
            "reasons": log.rows_by_reason,
        },
        "layout": log.runs[0].layout,
        "clock": _clock(clock),
    }
