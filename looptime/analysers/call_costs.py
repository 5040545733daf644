"""What costs how much: self time by call, kind, subsystem, device, bus and thread."""

import math
import re
from collections.abc import Iterable, Mapping
from functools import cached_property

import numpy as np

from looptime.analysers.alike import grouped
from looptime.analysers.basis import Basis
from looptime.analysers.durations import CallTimes, call_keys, call_times
from looptime.array_types import Bool, Float
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import UNATTRIBUTED

#: How a column without a name is called.
_UNNAMED = re.compile(r"column_\d+")

__all__ = ["CallCost", "Costs", "GroupCost", "costs", "like_calls", "total"]


@dataclass(frozen=True)
class CallCost:
    """Cost of the calls of one name on one thread; the row of what no call covers is like it."""

    #: What is known of the call.
    name: str
    thread: str
    kind: str
    kind_from: str
    subsystem: str | None
    device: str | None
    bus: str | None
    count: int  #: Calls made
    calls_per_loop: float
    self_ms_per_loop: float  #: Mean self time in a loop
    #: Of the quantity judged; None on other threads and for pacing waits where work is judged.
    share: float | None
    #: Of the duration of whole calls, with what is nested in them.
    p50_ms: float | None
    p99_ms: float | None
    max_ms: float | None
    first_ratio: float | None  #: Duration of the first call over the median of the others
    slow_excess_ms: float | None  #: Mean self time in slow loops minus that in typical loops
    variance_share: float | None  #: Covariance with the quantity judged over its variance
    on_loop_thread: bool = True


@dataclass(frozen=True)
class GroupCost:
    """Cost of the calls of one kind, subsystem, device or bus on the loop's thread."""

    name: str
    calls_per_loop: float
    self_ms_per_loop: float
    share: float | None
    slow_excess_ms: float | None
    variance_share: float | None


@dataclass(frozen=True)
class Costs:
    """Costs of a run."""

    calls: tuple[CallCost, ...]  #: Loop's thread first, dearest first
    unattributed: CallCost  #: What no call covers
    judged: str  #: ``work`` or ``period``
    #: How many loops `slow_excess_ms` compares.
    slow_loops: int
    typical_loops: int
    mean_excess_ms: float | None  #: What all `slow_excess_ms` add up to
    #: What of it is the wait for a later tick after calls that missed one: no row shows it, so that
    #: it is in that of what no call covers.
    tick_wait_ms: float = 0.0

    @cached_property
    def rows(self) -> tuple[CallCost, ...]:
        """The loop's thread: its calls and what no call covers, dearest first."""
        mine = [c for c in self.calls if c.on_loop_thread]
        return tuple(sorted([*mine, self.unattributed], key=lambda c: -c.self_ms_per_loop))

    def by(self, label: str) -> tuple[GroupCost, ...]:
        """Costs by a label: ``kind``, ``subsystem``, ``device`` or ``bus``; dearest first.

        Calls without that label stand under ``(none)``, what no call covers under its own name,
        so that the shares add up to 1.
        """
        groups: dict[str, list[CallCost]] = {}
        for row in self.rows:
            key = UNATTRIBUTED if row is self.unattributed else getattr(row, label) or "(none)"
            groups.setdefault(key, []).append(row)
        made = [_group(name, rows) for name, rows in groups.items()]
        return tuple(sorted(made, key=lambda g: -g.self_ms_per_loop))


def total(rows: Iterable[object], field: str) -> float | None:
    """Sum of a field over rows of costs; None where none of them knows it."""
    known = [value for row in rows if (value := getattr(row, field)) is not None]
    return math.fsum(known) if known else None


def like_calls(rows: Iterable[CallCost]) -> list[tuple[str, list[CallCost]]]:
    """Calls of one thread put together where kind, bus and pattern of the name are alike.

    Parameters
    ----------
    rows : iterable of CallCost
        Calls, with or without what no call covers, which stays alone.

    Returns
    -------
    list of (str, list of CallCost)
        Pattern, or the name of a call alone, and members; what takes most time first.
    """
    by_name = {row.name: row for row in rows}
    keys = ((name, (name == UNATTRIBUTED, _unnamed(name), c.kind, c.bus))
            for name, c in by_name.items())  # fmt: skip
    groups = [(pattern, [by_name[name] for name in names]) for pattern, names in grouped(keys)]
    return sorted(groups, key=lambda group: -(total(group[1], "self_ms_per_loop") or 0.0))


def _unnamed(name: str) -> str:
    """The name of a column that has none but its number, by which it is like no other; else ""."""
    return name if _UNNAMED.fullmatch(name) else ""


def _group(name: str, rows: list[CallCost]) -> GroupCost:
    return GroupCost(
        name,
        total(rows, "calls_per_loop") or 0.0,
        total(rows, "self_ms_per_loop") or 0.0,
        total(rows, "share"),
        total(rows, "slow_excess_ms"),
        total(rows, "variance_share"),
    )


def costs(
    basis: Basis,
    slow: Bool | None = None,
    first_ms: Mapping[tuple[int, int], float] | None = None,
    times: Mapping[tuple[int, int], CallTimes] | None = None,
) -> Costs:
    """Cost of every call name on every thread.

    Every column that adds up is a linear sum over self times: shares over the quantity judged
    add up to 1, `slow_excess_ms` to the mean excess, and `variance_share` =
    ``cov(s_k, x) / var(x)`` to 1, since ``x = sum_k s_k``.

    Parameters
    ----------
    basis : Basis
        From `looptime.analysers.basis.prepare`.
    slow : bool array, shape (n,), optional
        Which loops are slow (`looptime.analysers.slow.slow_loops`).
    first_ms : dict of (thread code, name code) to float, optional [ms]
        First calls of the whole run, where its warm-up was cut.
    times : dict, optional
        From `looptime.analysers.durations.call_times`, to save the time.
    """
    run, n = basis.run, len(basis.run)
    slow = np.zeros(n, bool) if slow is None else slow
    sums = _Sums(basis, slow)
    times = call_times(run) if times is None else times
    rows = [
        _call_cost(basis, sums, key, took, (first_ms or {}).get(key)) for key, took in times.items()
    ]
    rows.sort(key=lambda c: (not c.on_loop_thread, -c.self_ms_per_loop))
    at = sums.unattributed
    unattributed = CallCost(
        UNATTRIBUTED, _thread_name(run, run.loop_thread), "other", "log", None, None, None,
        0, 0.0, at["self_ms_per_loop"] or 0.0, at["share"],
        None, None, None, None, at["slow_excess_ms"], at["variance_share"],
    )  # fmt: skip
    excess = None
    if slow.any() and basis.typical.any():
        x = basis.judged_ms
        excess = float(x[slow].mean() - x[basis.typical].mean())
    waited = float(basis.tick_wait_ns[slow].mean()) / 1e6 if slow.any() else 0.0
    return Costs(
        tuple(rows), unattributed, basis.judged, int(slow.sum()), int(basis.typical.sum()), excess,
        waited,
    )  # fmt: skip


def _thread_name(run: Run, code: int) -> str:
    return run.thread_names[code] if 0 <= code < len(run.thread_names) else ""


class _Sums:
    """Linear sums over self times, by name; the last element is what no call covers."""

    def __init__(self, basis: Basis, slow: Bool) -> None:
        n, x = len(basis.run), basis.judged_ns.astype(np.float64)
        self.n, self.slow, self.typical = n, slow, basis.typical
        self.total = float(x.sum())
        self.by_loop = x - x.mean() if n else x
        # plain sums: products of long vectors wake the threads of the linear algebra library
        self.variance = float((self.by_loop**2).sum())
        if self.variance <= 1e-28 * float((x**2).sum()):
            self.variance = 0.0
        rest = basis.unattributed_ns.astype(np.float64)
        weights = [np.broadcast_to(1.0, n), slow, basis.typical, self.by_loop]
        uncovered = [float((w * rest).sum()) for w in weights]
        made = np.column_stack([basis.table.weighted(weights), uncovered])
        self.sums, self.slow_sums, self.typical_sums, self.products = made
        self.unattributed = self.of(len(basis.run.names))
        self.by_key: Float = np.zeros(0)
        if len(basis.run.thread_names) > 1:
            key, keys = call_keys(basis.run)
            own_ns = basis.run.call_columns.self_ns.astype(np.float64)
            self.by_key = np.bincount(key, own_ns, minlength=keys).astype(np.float64)

    def of(self, code: int, counts: bool = True) -> dict[str, float | None]:
        """The figures of one name; without those that add up where it does not count."""
        n_slow, n_typical = int(self.slow.sum()), int(self.typical.sum())
        excess = None
        if counts and n_slow and n_typical:
            excess = self.slow_sums[code] / n_slow - self.typical_sums[code] / n_typical
        return {
            "self_ms_per_loop": self.sums[code] / self.n / 1e6 if self.n else None,
            "share": self.sums[code] / self.total if counts and self.total > 0 else None,
            "slow_excess_ms": None if excess is None else excess / 1e6,
            "variance_share": (
                self.products[code] / self.variance if counts and self.variance > 0 else None
            ),
        }

    def elsewhere(self, key: int) -> dict[str, float | None]:
        """The figures of a name on another thread: it is no part of the loop."""
        own = float(self.by_key[key]) / self.n / 1e6 if self.n else None
        return {
            "self_ms_per_loop": own,
            "share": None,
            "slow_excess_ms": None,
            "variance_share": None,
        }


def _call_cost(
    basis: Basis, sums: _Sums, key: tuple[int, int], took: CallTimes, first_ms: float | None
) -> CallCost:
    run, n, (thread, code) = basis.run, len(basis.run), key
    label = run.names[code]
    on_loop = thread == run.loop_thread
    if on_loop:
        at = sums.of(code, basis.judged == "period" or label.kind != "pacing")
    else:
        at = sums.elsewhere(thread * len(run.names) + code)
    first, others = took.first_ms, took.others_ms
    if first_ms is not None and first_ms != first:  # the first call of all was cut
        first, others = first_ms, took.p50_ms
    return CallCost(
        label.name, _thread_name(run, thread), label.kind, label.kind_from, label.subsystem,
        label.device, label.bus, took.count, took.count / n if n else 0.0,
        at["self_ms_per_loop"] or 0.0, at["share"], took.p50_ms, took.p99_ms, took.max_ms,
        first / others if others else None, at["slow_excess_ms"], at["variance_share"], on_loop,
    )  # fmt: skip
