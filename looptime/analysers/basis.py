"""What the analysers share: the loops that the figures rest on and the quantity judged in them."""

from dataclasses import field, replace
from functools import cached_property

import numpy as np

from looptime.analysers.beat_wait import with_wait_named
from looptime.analysers.pacing import Pacing, pacing
from looptime.analysers.pacing_waits import Waits, find_waits
from looptime.analysers.self_table import SelfTable
from looptime.array_types import Bool, Float, Int
from looptime.call_words import says_wait
from looptime.records import dataclass
from looptime.run import Run, SelfPieces
from looptime.stats.arrays import median
from looptime.stats.quantiles import quantiles

__all__ = ["Basis", "prepare"]


@dataclass(frozen=True)
class Basis:
    """A run with what several analysers need of it, found once."""

    run: Run  #: The loops that the figures rest on (warm-up cut)
    pieces: SelfPieces  #: Self time on the loop's thread
    waits: Waits
    pacing: Pacing
    #: ``work`` where the pacing wait is logged, else ``period``; ``calls`` as `in_calls` has it.
    judged: str
    judged_ns: Int  #: The quantity judged, shape (n,)
    unattributed_ns: Int  #: Its part that no call covers, shape (n,)
    #: Which pieces are part of the quantity judged: all but pacing waits where work is judged;
    #: shape (p,).
    counts: Bool = field(repr=False)
    #: Loops between the 25th and 75th percentile of the quantity judged, shape (n,).
    typical: Bool = field(repr=False)
    origin_ns: int = 0  #: Start of the whole recording: times of events count from there

    @cached_property
    def table(self) -> SelfTable:
        """Self time on the loop's thread by loop and name."""
        return SelfTable(self.pieces, len(self.run), len(self.run.names))

    @cached_property
    def counted(self) -> Bool:
        """Which names are part of the quantity judged; bool array, shape (names,)."""
        counted = np.ones(len(self.run.names), bool)
        if self.judged == "work":
            counted[list(self.waits.names)] = False
        return counted

    @cached_property
    def judged_ms(self) -> Float:
        """The quantity judged; shape (n,) [ms]."""
        if self.judged_ns is self.run.loop_columns.period_ns:
            return self.period_ms
        return self.judged_ns / 1e6

    def time_s(self, index: int) -> float:
        """Start of a loop since the start of the recording [s]."""
        return float(self.run.loop_columns.start_ns[index] - self.origin_ns) / 1e9

    @cached_property
    def period_ms(self) -> Float:
        """Periods; shape (n,) [ms]."""
        return self.run.loop_columns.period_ns / 1e6

    @cached_property
    def tick_wait_ns(self) -> Int:
        """Of what no call covers, the wait for a tick after calls that missed one; shape (n,)."""
        nominal = self.pacing.nominal_ms
        if self.judged != "period" or nominal is None or not self.pacing.loses_slots:
            return np.broadcast_to(np.int64(0), len(self.run))
        from looptime.analysers.missed_ticks import tick_wait  # few logs need it

        return tick_wait(self.judged_ns, self.unattributed_ns, nominal)

    @cached_property
    def outside_ns(self) -> Int:
        """What no call covers, without that wait; shape (n,)."""
        return self.unattributed_ns - self.tick_wait_ns

    @property
    def work_known(self) -> bool:
        """Whether work can be told: the wait is logged, or the loop does not wait."""
        return self.pacing.wait_known or self.pacing.mode == "free-running"

    @cached_property
    def in_calls(self) -> "Basis | None":
        """The same judged by the time that calls cover; None where the work itself is known.

        A wait that is not logged keeps the period even, and hides from it what calls do.
        """
        covered = self.judged_ns - self.unattributed_ns
        if self.work_known or not len(covered) or not median(covered) > 0:
            return None
        return replace(
            self, judged="calls", judged_ns=covered, unattributed_ns=np.zeros_like(covered),
            typical=typical_loops(covered),
        )  # fmt: skip


def prepare(run: Run, pieces: SelfPieces | None = None, origin_ns: int | None = None) -> Basis:
    """Find waits, pacing and the quantity judged.

    Parameters
    ----------
    run : Run
        With its warm-up already cut, or kept on purpose.
    pieces : SelfPieces, optional
        ``run.self_pieces()``, if it is at hand.
    origin_ns : int, optional [ns]
        Start of the whole recording, if `run` is a part of it.

    Examples
    --------
    >>> from looptime.run import LoopColumns, Run
    >>> period = np.array([10, 11, 12, 30]) * 1_000_000
    >>> basis = prepare(Run(LoopColumns(np.arange(4), np.cumsum(period) - period, period)))
    >>> basis.judged, basis.typical.tolist()
    ('period', [True, True, True, False])
    """
    pieces = run.self_pieces() if pieces is None else pieces
    if origin_ns is None:
        origin_ns = int(run.loop_columns.start_ns[0]) if len(run) else 0
    table = SelfTable(pieces, len(run), len(run.names))
    run = with_wait_named(run, pieces, table)
    waits = find_waits(run, pieces, table)
    period = run.loop_columns.period_ns
    unattributed = period - table.by_loop().astype(np.int64)
    paced = pacing(run, waits=waits, table=table, unattributed_ns=unattributed)
    if (code := _wait_for_data(run, paced)) is not None:
        run, paced, waits = _with_wait(run, paced, table, code)
    judged, x = "period", period
    counts = np.broadcast_to(np.True_, len(pieces.loop))
    if paced.wait_known and waits.wait_ns is not None:
        judged, x = "work", period - waits.wait_ns
        if waits.gap_ns is not None:
            unattributed = unattributed - waits.gap_ns
        if waits.names:
            is_pacing = np.zeros(len(run.names), bool)
            is_pacing[list(waits.names)] = True
            counts = ~is_pacing[pieces.name]
    basis = Basis(
        run, pieces, waits, paced, judged, x, unattributed, counts, typical_loops(x), origin_ns
    )
    vars(basis)["table"] = table  # what the cached property would make again
    return basis


def _wait_for_data(run: Run, paced: Pacing) -> int | None:
    """Code of the call that paces the loop by waiting for data, if it is named for nothing else."""
    name = paced.beat_call
    if paced.wait_known or name is None or not says_wait(name):
        return None
    return next(code for code, call in enumerate(run.names) if call.name == name)


def _with_wait(run: Run, paced: Pacing, table: SelfTable, code: int) -> tuple[Run, Pacing, Waits]:
    """The same where all that a call takes is known to be a wait."""
    wait = table.series(code).astype(np.int64)
    paced = replace(paced, wait_known=True, wait_ms=float(wait.mean()) / 1e6)
    names = list(run.names)
    if names[code].kind_from not in ("log", "project"):
        names[code] = replace(names[code], kind="pacing")
    return run.with_names(tuple(names)), paced, Waits(wait, None, (code,))


def typical_loops(x: Int) -> Bool:
    """Which loops lie between the 25th and the 75th percentile, both included.

    Examples
    --------
    >>> typical_loops(np.array([1, 2, 3, 4])).tolist()
    [True, True, True, False]
    """
    if not len(x):
        return np.zeros(0, bool)
    low, high = quantiles(x, [0.25, 0.75])
    return (x >= low) & (x <= high)
