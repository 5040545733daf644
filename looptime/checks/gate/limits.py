"""Fixed limits from the project file: each holds or does not hold in every new run."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from looptime.checks.recording.facts import Facts
from looptime.checks.recording.figures import RunValues
from looptime.errors import UsageError, nearest
from looptime.records import dataclass
from looptime.schema import UNATTRIBUTED
from looptime.stats.dither import TOO_COARSE

__all__ = ["Row", "limit_rows"]

#: Fewer loops than this have no such percentile.
_LEAST_LOOPS = {"p95": 20, "p99": 100}


@dataclass(frozen=True)
class Row:
    """One line of the gate's table."""

    check: str  #: ``limit`` or ``regression``
    what: str  #: The figure, for example ``work p99`` or ``gyro.read p99``
    statistic: str
    call: str = ""  #: Empty for the whole loop
    #: Of the worst new run, or of the mean of several; both in `unit`.
    value: float | None = None
    limit: float | None = None
    unit: str = "ms"  #: ``ms``, ``loops`` or ``share``
    #: ``pass``, ``fail``, ``can't tell``, ``not judged`` or ``not comparable``.
    verdict: str = "pass"
    decides: bool = True  #: Whether a "can't tell" of this row is one of the gate
    #: Of the new runs over the mean of the baseline; for a regression.
    change_percent: float | None = None
    change_ms: float | None = None
    #: The slow-down that would have been seen with 80 % probability.
    seen_percent: float | None = None
    #: The largest change over the baseline that the runs leave possible at the confidence asked.
    most_percent: float | None = None
    #: `p`, `p_holm`: One-sided p-value, raw and adjusted within its family.
    p: float | None = None
    p_holm: float | None = None
    note: str = ""
    source: str = ""  #: The new log that holds `value`, where there are several
    missing: bool = False  #: Whether no new run holds the call that is limited


def limit_rows(runs: Sequence[RunValues], limits: dict[str, Any]) -> list[Row]:
    """Hold every new run against the limits; of several runs the worst counts.

    Parameters
    ----------
    runs : sequence of RunValues
        The new runs.
    limits : dict
        ``[limits]``: ``period_p99_ms`` and the like, ``overrun_share``, and `call` with one
        table a call.

    Raises
    ------
    UsageError
        If a limit needs a budget that is not given.
    """
    rows = []
    for key, limit in limits.items():
        if key == "call":
            continue
        if key == "overrun_share":
            rows.append(_overruns(runs, limit))
            continue
        quantity, _, statistic = key.removesuffix("_ms").partition("_")
        rows.append(_whole_loop(runs, quantity, statistic, limit))
    for name, table in limits.get("call", {}).items():
        rows += list(_call_rows(runs, name, table))
    return rows


def _worst(
    found: Sequence[tuple[float, Facts]], limit: float, off: float = 0.0, **fields: Any
) -> Row:
    """The row of the worst value, which may be off by so much where a clock hides it."""
    value, facts = max(found, key=lambda at: at[0])
    made = Row(
        "limit", value=value, limit=limit, verdict="fail" if value > limit else "pass",
        source=facts.source if len(found) > 1 else "", **fields,
    )  # fmt: skip
    hidden = off > 0 and value - off < limit < value + off
    return replace(made, verdict="can't tell", note=TOO_COARSE) if hidden else made


def _whole_loop(runs: Sequence[RunValues], quantity: str, statistic: str, limit: float) -> Row:
    what = f"{quantity} {statistic}"
    name = {"p50": "median"}.get(statistic, statistic)
    hidden = next((r.facts.hides for r in runs if r.facts.hides), "")
    if quantity == "work" and hidden:
        return Row("limit", what, statistic, limit=limit, verdict="can't tell", note=hidden)
    fewest = min(r.facts.loops for r in runs)
    if fewest < _LEAST_LOOPS.get(name, 1):
        return Row(
            "limit", what, statistic, limit=limit, verdict="can't tell",
            note=f"{fewest:,} loops have no {statistic}: record at least {_LEAST_LOOPS[name]:,}",
        )  # fmt: skip
    if name == "max":
        found = [(r.max_ms[quantity], r.facts) for r in runs]
        off = max(r.by_name[quantity, "p99"].untold_ms for r in runs)
        return _worst(found, limit, off, what=what, statistic=statistic)
    values = [(r, r.by_name[quantity, name]) for r in runs]
    worst = max(values, key=lambda at: at[1].value)[1]
    row = _worst([(v.value, r.facts) for r, v in values], limit, worst.untold_ms, what=what,
                 statistic=statistic)  # fmt: skip
    if row.verdict == "can't tell":
        return row
    if worst.se and abs(worst.value - limit) < 2.1 * worst.se:
        note = "so near the limit that another run of the same code may differ"
        return replace(row, note=note)
    return row


def _overruns(runs: Sequence[RunValues], limit: float) -> Row:
    found = []
    for run in runs:
        value = run.get("overruns")
        if value is None:
            raise UsageError(
                "limits: overrun_share needs a budget: set [loop] budget_ms or --budget-ms"
            )
        found.append((value.value / value.n, run.facts))
    row = _worst(found, limit, what="overruns", statistic="overruns", unit="share")
    coarse = any(r.by_name["period", "p99"].untold_ms for r in runs)
    if row.verdict == "fail" and coarse:  # one step of the clock more is what rounding makes
        return replace(row, verdict="can't tell", note=TOO_COARSE)
    return row


def _call_rows(runs: Sequence[RunValues], name: str, table: dict[str, float]) -> Iterator[Row]:
    holders = [(c, r) for r in runs for c in r.calls if c.name == name and c.calls]
    for key, limit in table.items():
        statistic = key.removesuffix("_ms")
        if not holders:  # one project file may serve logs that time other calls
            known = sorted({c.name for r in runs for c in r.calls} - {UNATTRIBUTED})
            yield Row("limit", f"{name} {statistic}", statistic, name, limit=limit,
                      verdict="not judged", decides=False, missing=True,
                      note=f"no run holds the call {name!r}; {nearest(name, known)}")  # fmt: skip
            continue
        found = [(getattr(c, f"duration_{statistic}_ms"), r.facts) for c, r in holders]
        off = 0.0 if statistic == "mean" else max(c.untold_ms for c, _ in holders)
        yield _worst(found, limit, off, what=f"{name} {statistic}", statistic=statistic, call=name)
