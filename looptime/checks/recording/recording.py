"""A recording as the checks judge it: its loops after warm-up, call by call."""

import hashlib
from dataclasses import field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from looptime.analysers.basis import Basis, prepare
from looptime.analysers.durations import durations_by_key
from looptime.analysers.warmup import warmup
from looptime.array_types import Float, Int
from looptime.checks.recording.copies import opening
from looptime.checks.recording.facts import Facts, run_facts
from looptime.errors import LogError
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import UNATTRIBUTED

__all__ = [
    "LEAST_CUT_S",
    "Part",
    "Recording",
    "Series",
    "Settings",
    "content_hash",
    "record",
    "rest_part",
]

#: At least so much is cut off the beginning of every run [s].
LEAST_CUT_S = 1.0
#: Numbers that are hashed at a time.
_HASHED = 1 << 18


@dataclass(frozen=True)
class Settings:
    """How recordings are judged."""

    #: Periods above these are overruns, and serious ones.
    budget_ms: float | None = None
    serious_ms: float | None = None
    keep_warmup: bool = False  #: Whether the warm-up is kept
    robot: str | None = None  #: Robot of the logs that name none; one that is named in a log stays
    #: Labels that stand in for those of the log.
    version: str | None = None
    label: str | None = None
    time: str | None = None


@dataclass(frozen=True)
class Part:
    """The calls of one name on one thread, loop by loop."""

    #: `name`, `thread`, `kind`, `subsystem`, `device`, `bus`: What is known of the call.
    name: str
    thread: str
    kind: str = "other"
    subsystem: str | None = None
    device: str | None = None
    bus: str | None = None
    on_loop_thread: bool = True
    counts: bool = True  #: Whether its self time is part of the quantity judged
    #: Self time in each loop, shape (n,).
    self_ns: Int = field(default_factory=lambda: np.empty(0, np.int64), repr=False)
    #: Durations of whole calls, in start order, shape (k,).
    durations_ns: Int = field(default_factory=lambda: np.empty(0, np.int64), repr=False)

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from other parts: its name, and its thread where that is not the loop's."""
        return (self.name, "" if self.on_loop_thread else self.thread)


@dataclass(frozen=True)
class Series:
    """The loops of one run that are judged."""

    facts: Facts
    period_ns: Int = field(repr=False)  #: shape (n,)
    #: None where the loop is paced and its wait is not logged, shape (n,).
    work_ns: Int | None = field(repr=False)
    #: What no call covers of the quantity judged, shape (n,).
    unattributed_ns: Int = field(repr=False)
    #: For every loop, the parts that count and `unattributed_ns` add up to the quantity judged.
    parts: tuple[Part, ...] = field(repr=False)
    #: Mean of what `unattributed_ns` holds of the wait for a tick after calls that missed one [ms].
    tick_wait_ms: float = 0.0

    @property
    def judged_ns(self) -> Int:
        """The quantity judged; shape (n,) [ns]."""
        if self.facts.judged == "work" and self.work_ns is not None:
            return self.work_ns
        return self.period_ns

    def ms(self, quantity: str) -> Float:
        """``period``, or ``work`` where it is known; shape (n,) [ms]."""
        x = self.period_ns if quantity == "period" or self.work_ns is None else self.work_ns
        return x / 1e6


@dataclass(frozen=True)
class Recording:
    """A run that is ready to be judged once the cut and the window are known."""

    run: Run
    settings: Settings
    warmup_s: float  #: Length of its own warm-up

    @property
    def source(self) -> str:
        """Where it was read from."""
        return self.run.source or "the run"

    @cached_property
    def opening(self) -> str:
        """As `looptime.checks.recording.copies.opening`, of the run before it is cut."""
        return opening(self.run)

    @property
    def cut_s(self) -> float:
        """What to cut if it stands alone: its warm-up, at least `LEAST_CUT_S` [s]."""
        return 0.0 if self.settings.keep_warmup else max(self.warmup_s, LEAST_CUT_S)

    def left_s(self, cut_s: float) -> float:
        """Length of what a cut leaves [s]."""
        period = self.run.loop_columns.period_ns
        elapsed = np.cumsum(period) - period
        return float(period[elapsed >= cut_s * 1e9].sum()) / 1e9

    def series(self, cut_s: float | None = None, window_s: float | None = None) -> Series:
        """Its loops after the cut and within the window.

        Raises
        ------
        LogError
            If no loop is left.
        """
        cut = self.cut_s if cut_s is None else cut_s
        period = self.run.loop_columns.period_ns
        elapsed = np.cumsum(period) - period
        keep = elapsed >= cut * 1e9
        if window_s is not None and keep.any():
            first = elapsed[keep][0]
            keep &= elapsed + period <= first + window_s * 1e9 + 1
        if not keep.any():
            raise LogError(
                f"no loops are left after the warm-up ({cut:.3g} s of"
                f" {float(period.sum()) / 1e9:.3g} s): record longer or use --keep-warmup",
                self.source,
            )
        basis = prepare(self.run if keep.all() else self.run.select(keep))
        facts = run_facts(basis.run, basis.pacing, basis.judged, basis.work_known)
        asked = self.settings
        facts = replace(
            facts.labelled(
                robot=facts.robot or asked.robot,
                version=asked.version,
                label=asked.label,
                time=asked.time,
            ),
            budget_ms=asked.budget_ms,
            serious_ms=asked.serious_ms,
            cut_s=cut,
            warmup_loops=int(np.flatnonzero(keep)[0]),
            opening=self.opening,
        )
        work = basis.judged_ns if basis.judged == "work" else None
        if work is None and basis.work_known:
            work = basis.run.loop_columns.period_ns
        return Series(
            facts, basis.run.loop_columns.period_ns, work, basis.unattributed_ns, _parts(basis),
            float(basis.tick_wait_ns.mean()) / 1e6,
        )  # fmt: skip


def record(run: Run, settings: Settings | None = None) -> Recording:
    """Make a run ready to be judged: find its warm-up.

    Raises
    ------
    LogError
        If it has no loops.
    """
    settings = Settings() if settings is None else settings
    if not len(run):
        raise LogError("holds no loops: nothing can be judged", run.source or "the run")
    found = 0.0 if settings.keep_warmup else warmup(prepare(run)).seconds
    return Recording(run, settings, found)


def _parts(basis: Basis) -> tuple[Part, ...]:
    """Self time of every call name on every thread, loop by loop."""
    run, n = basis.run, len(basis.run)
    at = run.call_columns
    made = []
    for (thread, code), durations in durations_by_key(run).items():
        on_loop = thread == run.loop_thread
        if on_loop:
            own = basis.table.series(code).astype(np.int64)
        else:
            rows = (at.thread == thread) & (at.name == code)
            own = np.bincount(at.loop[rows], at.self_ns[rows], minlength=n).astype(np.int64)
        label = run.names[code]
        made.append(
            Part(
                name=label.name,
                thread=run.thread_names[thread],
                kind=label.kind,
                subsystem=label.subsystem,
                device=label.device,
                bus=label.bus,
                on_loop_thread=on_loop,
                counts=on_loop and bool(basis.counted[code]),
                self_ns=own,
                durations_ns=durations,
            )
        )
    return tuple(sorted(made, key=lambda p: (not p.on_loop_thread, p.name, p.thread)))


def content_hash(run: Run) -> str:
    """A hash of what a run holds: its loops, calls, threads and phases, and not of its labels.

    The same recording has the same hash in whatever file and under whatever name it stands.

    Returns
    -------
    str
        64 hexadecimal digits (SHA-256).
    """
    digest = hashlib.sha256(b"looptime run 1\n")

    def add(x: NDArray[np.generic] | None) -> None:
        count = 0 if x is None else len(x)
        digest.update((8 * count).to_bytes(8, "little"))
        for first in range(0, count, _HASHED):  # a long run's memory is dear
            assert x is not None
            digest.update(np.ascontiguousarray(x[first : first + _HASHED], dtype="<i8").data)

    at, calls = run.loop_columns, run.call_columns
    names = [n.name for n in run.names]
    for words in (names, run.thread_names, at.phase_names):
        for word in words:
            data = word.encode("utf-8", "surrogatepass")
            digest.update(len(data).to_bytes(8, "little") + data)
        digest.update(b"\n")
    for column in (at.start_ns, at.period_ns, at.phase, calls.loop, calls.thread, calls.name,
                   calls.start_ns, calls.duration_ns, calls.depth):  # fmt: skip
        add(column)
    return digest.hexdigest()


def rest_part(series: Series) -> Part:
    """What no call covers, as a part like the others."""
    return Part(UNATTRIBUTED, "", self_ns=series.unattributed_ns)
