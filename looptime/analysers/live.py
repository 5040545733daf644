"""A run that is still being recorded: its pace now and so far, and what makes loops long."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from looptime.analysers.self_table import SelfTable
from looptime.array_types import Float, Int
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import UNATTRIBUTED

__all__ = ["MINUTE_S", "Live", "LiveCall", "LongLoop", "Minute", "Tally", "broken_limits"]

#: How far back "now" goes [s].
NOW_S = 10.0
#: How far back the figures of each call go [s].
MINUTE_S = 60.0
# pieces whose medians say what a call usually takes; loops over budget that are kept
_PIECES, _KEPT = 20, 50
# share of what a loop is longer by from which on a call is its cause
_CAUSE = 0.3


@dataclass(frozen=True)
class LongLoop:
    """One loop over the budget, or that stands out."""

    loop: int  #: Its number as logged
    at_s: float  #: Its start since the first loop seen
    ms: float  #: Its period
    #: The call that took longest beyond its usual time, ``outside every call``, or empty.
    cause: str


@dataclass(frozen=True)
class Live:
    """What is known so far."""

    loops: int
    seconds: float  #: Sum of the periods [s]
    #: Under ``now`` for the last 10 s, under ``run`` for all of it.
    rate_hz: Mapping[str, float | None]
    p50_ms: Mapping[str, float | None]
    p99_ms: Mapping[str, float | None]
    max_ms: Mapping[str, float | None]
    over: int | None  #: Loops over the budget; None without one
    over_share: float | None
    #: The newest loops over the budget, or that stand out where there is none; newest last.
    long: tuple[LongLoop, ...]
    #: Of every loop, float arrays, shape (n,) [s], [ms].
    start_s: Float
    period_ms: Float

    def to_dict(self) -> dict[str, Any]:
        """What ``watch --json`` prints, a line each time."""
        return {
            "loops": self.loops, "duration_s": self.seconds, "rate_hz": dict(self.rate_hz),
            "period_ms": {
                k: {"p50": self.p50_ms[k], "p99": self.p99_ms[k], "max": self.max_ms[k]}
                for k in ("now", "run")
            },
            "overruns": None if self.over is None
            else {"count": self.over, "share": self.over_share},
            "newest": [one.__dict__ for one in self.long[-3:]],
        }  # fmt: skip


@dataclass(frozen=True)
class LiveCall:
    """What a call on the loop's thread takes, or what no call covers."""

    name: str
    kind: str
    self_ms_per_loop: float  #: Mean over the loops of the last minute
    share: float  #: Part of their time; all calls and what none covers add up to 1
    p99_ms: float  #: 99th percentile of its self time in a loop, over the same loops
    run_ms_per_loop: float  #: Mean over the whole run so far


@dataclass(frozen=True)
class Minute:
    """The loops that began in the last minute of the run."""

    loop: Int  #: Numbers as logged, shape (n,)
    ago_s: Float  #: From each loop's start to the end of the last loop [s]
    period_ms: Float
    over: int  #: Loops among them over the budget; 0 without one
    #: In the order of what they took over the whole run, dearest first, so that their places
    #: change seldom; empty where the log holds no calls.
    calls: tuple[LiveCall, ...]


@dataclass(frozen=True)
class _Piece:
    """Loops that came at once: their starts since the first loop, and each call's self times."""

    start_ns: Int
    loop: Int
    period_ns: Int
    own: Mapping[str, Int | Float]

    def since(self, start_ns: int) -> _Piece:
        """Its loops that began at that time or later."""
        k = int(np.searchsorted(self.start_ns, start_ns))
        if k == 0:
            return self
        own = {name: times[k:] for name, times in self.own.items()}
        return _Piece(self.start_ns[k:], self.loop[k:], self.period_ns[k:], own)


class Tally:
    """Adds up pieces of a run as they come.

    Parameters
    ----------
    budget_ms : float or None [ms]
        Longest period allowed; without one, loops of twice the median are kept as long ones.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> tally = Tally(25.0)
    >>> period = np.array([20, 20, 30, 20]) * 1_000_000
    >>> tally.add(Run(LoopColumns(np.arange(4), np.cumsum(period) - period, period)))
    >>> found = tally.live()
    >>> found.loops, found.over, found.long[-1].ms, found.p50_ms["run"]
    (4, 1, 30.0, 20.0)
    """

    def __init__(self, budget_ms: float | None = None) -> None:
        self.budget_ms = budget_ms
        self._period: list[Int] = []
        self._usual: deque[dict[str, float]] = deque(maxlen=_PIECES)
        self._long: deque[LongLoop] = deque(maxlen=_KEPT)
        self._minute: deque[_Piece] = deque()
        self._sum_ns: dict[str, float] = {}  # self time of each call so far
        self._kind: dict[str, str] = {UNATTRIBUTED: UNATTRIBUTED}
        self._loops = 0
        self._elapsed_ns = 0
        self._over = 0

    def add(self, piece: Run) -> None:
        """Take in whole loops that were not there before."""
        period = piece.loop_columns.period_ns.astype(np.int64)
        if not len(period):
            return
        own = self._own_times(piece)
        usual = {name: float(np.median(times)) for name, times in own.items()}
        self._usual.append(usual)
        limit = self.budget_ms
        if limit is None:
            limit = 2 * float(np.median(period)) / 1e6
        over = np.flatnonzero(period > limit * 1e6)
        self._over += len(over) if self.budget_ms is not None else 0
        start = self._elapsed_ns + np.cumsum(period) - period
        for k in over[-_KEPT:]:
            cause = self._cause(own, int(k), float(period[k] - np.median(period)))
            loop = int(piece.loop_columns.loop[k])
            self._long.append(LongLoop(loop, float(start[k]) / 1e9, float(period[k]) / 1e6, cause))
        self._period.append(period)
        self._elapsed_ns += int(period.sum())
        own = own or {UNATTRIBUTED: period}
        self._keep(piece, _Piece(start, piece.loop_columns.loop, period, own))

    def _keep(self, run: Run, piece: _Piece) -> None:
        """Add up what calls took, and forget what began more than a minute ago."""
        self._loops += len(piece.period_ns)
        self._kind.update((name.name, name.kind) for name in run.names)
        for name, times in piece.own.items():
            self._sum_ns[name] = self._sum_ns.get(name, 0.0) + float(times.sum())
        self._minute.append(piece)
        first = self._elapsed_ns - int(MINUTE_S * 1e9)
        while len(self._minute[0].start_ns) and self._minute[0].start_ns[-1] < first:
            if len(self._minute) == 1:
                break
            self._minute.popleft()
        self._minute[0] = self._minute[0].since(first)

    def minute(self) -> Minute:
        """The loops of the last minute, and what calls took in them."""
        pieces = list(self._minute)
        if not pieces:
            nothing = np.zeros(0)
            return Minute(nothing.astype(np.int64), nothing, nothing, 0, ())
        start = np.concatenate([p.start_ns for p in pieces])
        period = np.concatenate([p.period_ns for p in pieces])
        limit = None if self.budget_ms is None else self.budget_ms * 1e6
        return Minute(
            np.concatenate([p.loop for p in pieces]),
            (self._elapsed_ns - start) / 1e9,
            period / 1e6,
            0 if limit is None else int((period > limit).sum()),
            tuple(self._calls(pieces, len(period), float(period.sum()))),
        )

    def _calls(self, pieces: list[_Piece], loops: int, total_ns: float) -> Iterator[LiveCall]:
        if set(self._sum_ns) == {UNATTRIBUTED}:
            return  # the log holds no calls
        for name, so_far in sorted(self._sum_ns.items(), key=lambda kv: -kv[1]):
            own = np.concatenate([p.own.get(name, np.zeros(len(p.period_ns))) for p in pieces])
            took = float(own.sum())
            yield LiveCall(
                name, self._kind.get(name, "other"), took / max(loops, 1) / 1e6,
                took / total_ns if total_ns else 0.0, (_quantile(own, 0.99) or 0.0) / 1e6,
                so_far / self._loops / 1e6,
            )  # fmt: skip

    def _own_times(self, piece: Run) -> dict[str, Int | Float]:
        """Self time of each call in each loop, and what no call covers [ns]."""
        if not len(piece.names):
            return {}
        table = SelfTable(piece.self_pieces(), len(piece), len(piece.names))
        own = {name.name: table.series(code) for code, name in enumerate(piece.names)}
        own = {name: times for name, times in own.items() if times.any()}
        return {**own, UNATTRIBUTED: piece.unattributed_ns()} if own else {}

    def _cause(self, own: Mapping[str, Int | Float], k: int, longer: float) -> str:
        most, name = 0.0, ""
        for call, times in own.items():
            known = [usual[call] for usual in self._usual if call in usual]
            more = float(times[k]) - (float(np.median(known)) if known else 0.0)
            if more > most:
                most, name = more, call
        if most < _CAUSE * longer:
            return ""
        return "outside every call" if name == UNATTRIBUTED else name

    def live(self) -> Live:
        """What is known by now."""
        period = np.concatenate(self._period) if self._period else np.zeros(0, np.int64)
        start = (np.cumsum(period) - period) / 1e9
        ms = period / 1e6
        recent = ms[start >= self._elapsed_ns / 1e9 - NOW_S] if len(ms) else ms
        of = {"now": recent, "run": ms}
        return Live(
            len(ms),
            self._elapsed_ns / 1e9,
            {k: 1e3 * len(x) / float(x.sum()) if x.sum() else None for k, x in of.items()},
            {k: _quantile(x, 0.5) for k, x in of.items()},
            {k: _quantile(x, 0.99) for k, x in of.items()},
            {k: float(x.max()) if len(x) else None for k, x in of.items()},
            None if self.budget_ms is None else self._over,
            None if self.budget_ms is None else self._over / max(len(ms), 1),
            tuple(self._long),
            start,
            ms,
        )


def _quantile(x: Float, share: float) -> float | None:
    if not len(x):
        return None
    k = max(int(np.ceil(share * len(x))) - 1, 0)
    return float(np.partition(x, k)[k])


def broken_limits(at: Live, limits: Mapping[str, Any]) -> tuple[str, ...]:
    """Limits of the project file that the loops seen so far break, of those that periods tell.

    Examples
    --------
    >>> tally = Tally()
    >>> broken_limits(tally.live(), {"period_p99_ms": 20.0})
    ()
    """
    found = {"p50": at.p50_ms["run"], "p99": at.p99_ms["run"], "max": at.max_ms["run"]}
    if len(at.period_ms):
        found |= {"mean": float(at.period_ms.mean()), "p95": _quantile(at.period_ms, 0.95)}
    out = []
    for key, limit in limits.items():
        name = key.removeprefix("period_").removesuffix("_ms")
        value = at.over_share if key == "overrun_share" else found.get(name)
        if key.startswith(("period_", "overrun")) and value is not None and value > limit:
            out.append(key)
    return tuple(out)
