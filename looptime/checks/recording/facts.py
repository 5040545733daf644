"""What is known of a recording besides its figures: robot, version, time, phases, pacing."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # a list of a season's entries needs no arrays
    from looptime.analysers.pacing import Pacing
    from looptime.run import Run

from looptime.records import dataclass

__all__ = [
    "YEAR_2000_NS",
    "Facts",
    "parse_time",
    "phase_shares",
    "run_facts",
    "start_time",
    "time_key",
]

_META = {
    "robot": ("robot",),
    "version": ("code_version", "version", "code"),
    "label": ("label",),
    "time": ("time", "recorded", "started", "date"),
    "phase": ("phase",),
}
#: Clocks that show more count from 1970.
YEAR_2000_NS = 946_684_800_000_000_000


@dataclass(frozen=True)
class Facts:
    """What a recording says of itself, and how it was read."""

    source: str = ""  #: Where it was read from
    #: From the log's ``#`` lines or from options; `time` as in ISO 8601.
    robot: str | None = None
    version: str | None = None
    label: str | None = None
    time: str | None = None
    #: Phases and their shares of the loops judged, in name order; empty without phases.
    phases: tuple[tuple[str, float], ...] = ()
    layout: str = ""
    pacing_mode: str = ""
    nominal_hz: float | None = None
    work_known: bool = True  #: Whether work can be told from the pacing wait
    judged: str = "period"  #: ``work`` where a pacing wait is logged, else ``period``
    budget_ms: float | None = None
    serious_ms: float | None = None
    cut_s: float = 0.0  #: What was cut off the beginning at least; 0 where the warm-up was kept
    tick_ns: int = 1
    #: Loops judged, and cut off before them.
    loops: int = 0
    warmup_loops: int = 0
    duration_s: float = 0.0  #: Sum of the periods judged
    rows_read: int = 0
    rows_set_aside: int = 0
    dropped: int = 0
    supposed: str = ""  #: As in `looptime.run.Clock`, one after the other
    #: Hash of its first loops (`looptime.checks.recording.copies.opening`), which copies share.
    opening: str = ""

    @property
    def name(self) -> str:
        """What the run is called in text: the file it was read from, else its label."""
        return re.split(r"[\\/]", self.source)[-1] or self.label or "the run"

    @property
    def paced(self) -> bool:
        """Whether the loop waits for anything between two passes."""
        return self.judged == "work" or self.pacing_mode.startswith(("fixed rate", "sleep"))

    @property
    def hides(self) -> str:
        """Why a longer work need not show in the quantity judged; empty where it does."""
        if self.work_known:
            return ""
        if self.paced:
            return "headroom unknown: the loop is paced and its wait is not logged"
        return "headroom unknown: can't tell whether the loop waits"

    def labelled(self, **labels: str | None) -> Facts:
        """The same with those labels that are given (not None)."""
        given: dict[str, Any] = {k: value for k, value in labels.items() if value is not None}
        return replace(self, **given) if given else self


def parse_time(text: str) -> str | None:
    """A date or date-time as ISO 8601 text, or None where it is neither.

    Examples
    --------
    >>> parse_time("2026-03-01 09:30"), parse_time("yesterday")
    ('2026-03-01T09:30:00', None)
    """
    try:
        return datetime.fromisoformat(text.strip()).isoformat()
    except ValueError:
        return None


def time_key(time: str | None) -> float | None:
    """Seconds since 1970 of an ISO time, for sorting; times without a zone are taken as UTC."""
    if time is None:
        return None
    try:
        made = datetime.fromisoformat(time)
    except ValueError:
        return None
    made = made if made.tzinfo is not None else made.replace(tzinfo=UTC)
    return made.timestamp()


def phase_shares(run: Run) -> tuple[tuple[str, float], ...]:
    """Each phase's share of the loops, in name order; empty without phases.

    A run without a phase column may state one phase in its ``# phase:`` line.
    """
    at = run.loop_columns
    if at.phase is None or not len(run):
        named = run.meta.get("phase", "").strip()
        return ((named, 1.0),) if named else ()
    counts = [int((at.phase == code).sum()) for code in range(len(at.phase_names))]
    shares = [
        (name, count / len(run))
        for name, count in zip(at.phase_names, counts, strict=True)
        if count and name
    ]
    return tuple(sorted(shares))


def start_time(run: Run) -> str | None:
    """When a run was recorded, as its log says or its clock shows; None where neither does."""
    for key in _META["time"]:
        if key in run.meta and (made := parse_time(run.meta[key])):
            return made
    at = run.loop_columns.start_ns
    if len(at) and int(at[0]) > YEAR_2000_NS:  # the log's clock counts from 1970
        return datetime.fromtimestamp(int(at[0]) / 1e9, UTC).replace(microsecond=0).isoformat()
    return None


def _meta(run: Run, what: str) -> str | None:
    for key in _META[what]:
        if run.meta.get(key, "").strip():
            return run.meta[key].strip()
    return None


def run_facts(run: Run, pacing: Pacing, judged: str, work_known: bool) -> Facts:
    """The facts of a run whose loops are those to be judged."""
    return Facts(
        source=run.source,
        robot=_meta(run, "robot"),
        version=_meta(run, "version"),
        label=_meta(run, "label"),
        time=start_time(run),
        phases=phase_shares(run),
        layout=run.layout,
        pacing_mode=pacing.mode,
        nominal_hz=pacing.nominal_hz,
        work_known=work_known,
        judged=judged,
        tick_ns=run.clock.tick_ns,
        supposed=" and ".join(run.clock.supposed),
        loops=len(run),
        duration_s=run.duration_s,
        rows_read=run.rows_read,
        rows_set_aside=len(run.set_aside),
        dropped=run.dropped,
    )
