"""What the timing of logs says: their summaries, their slow loops, and files made of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from looptime.analysers.basis import prepare
from looptime.analysers.drift import changes
from looptime.analysers.estimate import to_json
from looptime.analysers.part import in_phase, part, phases
from looptime.analysers.set_clock import with_clock_undone
from looptime.analysers.summary import Summary
from looptime.analysers.together import together
from looptime.analysers.warmup import warmup
from looptime.errors import LooptimeError, UsageError
from looptime.files import write_whole
from looptime.findings import CAUTION
from looptime.project import Project
from looptime.questions.asked import Asked
from looptime.questions.doors import at_hand, zip_of
from looptime.questions.summing import begin_ns, summarised, summary_of_part
from looptime.records import dataclass
from looptime.run import Run

if TYPE_CHECKING:
    from looptime.analysers.loop_detail import LoopDetail, VideoSync
    from looptime.analysers.waits import Delay
    from looptime.parsers.log import Log
    from looptime.planner import Suggestions

__all__ = [
    "CAUTION", "HeldTogether", "LogSummary", "SlowAnswer", "draft", "export", "held_together",
    "in_phase", "part", "phases", "priced", "settled", "slow", "summarise", "summary",
    "summary_of_log", "summary_of_part", "together", "warmup_loops", "write_rows_set_aside",
]  # fmt: skip


#: Parts of a log, its runs or their phases, that are summarised; of more the longest.
MOST_PARTS = 60


def summary(
    asked: Asked, run: Run, *, predict: bool = False, brief: bool = False, most: int = MOST_PARTS
) -> tuple[Summary, ...]:
    """How fast and even a loop is and where its time goes.

    Parameters
    ----------
    asked : Asked
        With what the question is asked.
    run : Run
        A whole run.
    predict : bool
        Whether the planner says what each finding's remedy would buy, where it has one.
    brief : bool
        Whether it is enough to look for what recurs in the first of several phases.
    most : int
        Phases that are summarised, of more the first.

    Returns
    -------
    tuple of Summary
        One a phase, those that stand for work first, where the run has phases and none is asked
        for; else one.

    Raises
    ------
    UsageError
        If the run has no such part.
    """
    found = tuple(_by_phase(asked, run, brief, most))
    return tuple(_priced(asked, one) for one in found) if predict else found


def _by_phase(
    asked: Asked, run: Run, brief: bool = False, most: int = MOST_PARTS, loop: int | None = None
) -> Iterator[Summary]:
    """Summaries one at a time; warm-up is looked for before a phase is picked."""
    chosen, origin = asked.part(run, with_phase=False), begin_ns(run)
    among = phases(chosen) if asked.phase is None else ()
    names: list[str | None] = [*among] if len(among) > 1 else [asked.phase]
    if loop is not None:
        held = _holding(chosen, loop)
        names = [name for name in names if name in held] or names
    whole = prepare(chosen, origin_ns=origin)
    for place, name in enumerate(names[:most]):
        yield summarised(asked, chosen, name, origin, not place or not brief, whole)


def _holding(run: Run, loop: int) -> set[str | None]:
    """The phase of the run that holds a loop, where it has phases and that loop."""
    at = run.loop_columns
    place = np.flatnonzero(at.loop == loop)
    codes = [] if at.phase is None else at.phase[place[:1]].tolist()
    return {at.phase_names[code] for code in codes if code >= 0}


def summarise(
    run: Run, *, project: Project | None = None, budget_ms: float | None = None, **asked: Any
) -> Summary:
    """`summary_of_part` in one call: `asked` are the fields of `Asked`.

    Examples
    --------
    >>> from looptime.run import LoopColumns
    >>> period = np.random.default_rng(1).normal(20e6, 1e6, 1000).astype(np.int64)
    >>> run = Run(LoopColumns(np.arange(1000), np.cumsum(period) - period, period))
    >>> [f.code for f in summarise(run).findings]
    ['healthy']
    """
    stated = Asked(project or Project(), budget_given_ms=budget_ms, **asked)
    return summary_of_part(stated, with_clock_undone(run))


def _priced(asked: Asked, found: Summary) -> Summary:
    """A summary whose findings carry what the planner predicts, where it has a remedy."""
    from looptime.questions.planning import suggestions

    try:
        plans = suggestions(asked.whole.but(keep_warmup=True), found.run, findings=found.findings)
        return priced(found, plans)
    except LooptimeError:  # too little, or too odd, to be played again
        return found


def priced(found: Summary, plans: Suggestions) -> Summary:
    """A summary whose findings carry what the planner predicts for its run."""
    from looptime.findings.priced import with_predictions

    names = [call.name for call in found.run.names]
    return found.with_findings(with_predictions(found.findings, plans, names))


@dataclass(frozen=True)
class LogSummary:
    """One log, read and summarised."""

    log: Log
    summaries: tuple[Summary, ...]  #: Of its runs, or of the phases of its runs
    runs: int  #: How many are summarised, of all that the log holds
    phases_left: int  #: Phases of these runs that are not

    def to_dict(self) -> dict[str, Any]:
        """One element of ``logs[]`` of the JSON output."""
        from looptime.views.files.json import log_head

        left = {"runs": len(self.log.runs) - self.runs, "phases": self.phases_left}
        runs = [found.to_dict() for found in self.summaries]
        return {**log_head(self.log), "left_out": left, "runs": runs}


def summary_of_log(asked: Asked, log: Log, **how: bool) -> LogSummary:
    """Summarise each run of a log, of very many the longest; see `summary`, which takes `how`."""
    length = [-run.duration_s for run in log.runs]
    longest = sorted(np.argsort(length, kind="stable")[:MOST_PARTS].tolist())
    each = max(1, MOST_PARTS // max(len(longest), 1))
    found: list[Summary] = []
    left = 0
    for run in (log.runs[k] for k in longest):
        found += summary(asked, run, most=each, **how)
        if asked.phase is None:
            left += max(0, len(phases(asked.part(run, with_phase=False))) - each)
    return LogSummary(log, tuple(found), len(longest), left)


@dataclass(frozen=True)
class HeldTogether:
    """Logs that look like threads of one program, and what they say as threads of one run."""

    #: Their places among all that were read, the control loop's first.
    places: tuple[int, ...]
    as_one: LogSummary
    #: How it is known: ``clock`` where it stood far on when all began, ``waits`` where calls of one
    #: wait for those of another; None where they may be of several days, with clocks that began
    #: anew.
    known_by: str | None

    def to_dict(self) -> dict[str, Any]:
        """One element of ``threads[]`` of ``summary --json``."""
        return {"known_by": self.known_by, **self.as_one.to_dict()}


def held_together(asked: Asked, logs: Sequence[LogSummary]) -> tuple[HeldTogether, ...]:
    """Which of several logs look like threads of one program, a file each."""
    from looptime.analysers.one_clock import threads_of_one, time_alike
    from looptime.parsers.as_threads import as_threads, is_timed

    made = []
    single = [k for k, one in enumerate(logs) if len(one.log.runs) == 1]
    for group in threads_of_one([logs[k].log.runs[0] for k in single]):
        places = tuple(single[k] for k in group)
        mine = [logs[k].log for k in places]
        if not all(is_timed(log.runs[0]) for log in mine[1:]):
            continue
        as_one = summary_of_log(asked, as_threads(mine))
        met = any(one.contention.found for one in as_one.summaries)
        alike = time_alike([log.runs[0] for log in mine])
        made.append(HeldTogether(places, as_one, "clock" if alike else "waits" if met else None))
    return tuple(made)


def warmup_loops(run: Run) -> int:
    """Loops at the start of a run that are warm-up."""
    return warmup(prepare(run)).loops


def settled(asked: Asked, run: Run) -> tuple[Run, int]:
    """The part of a run without its warm-up, unless that is kept, and the loops left out.

    Warm-up is looked for before a phase is picked, as for a summary.
    """
    chosen = asked.part(run, with_phase=False)
    mine = part(chosen, asked.phase)
    cut = 0 if asked.keep_warmup else warmup_loops(chosen)
    if not cut:
        return mine, 0
    left = part(chosen.select(np.arange(len(chosen)) >= cut), asked.phase)
    return left, len(mine) - len(left)


def unsettled(asked: Asked, run: Run, left: Run) -> tuple[str, ...]:
    """What is said where loops that are left of a run begin with a long slow start."""
    if asked.keep_warmup:
        return ()
    from looptime.analysers.slow_start import slow_start  # a summary needs it seldom

    basis = prepare(left, origin_ns=begin_ns(run))
    found = slow_start(basis, changes(basis))
    return () if found is None else (found.text,)


@dataclass(frozen=True)
class SlowAnswer:
    """Slow loops, and what was asked about them."""

    summary: Summary
    top: int  #: How many events are listed
    detail: LoopDetail | None = None  #: One loop beside a typical one
    delay: Delay | None = None  #: When a delay that is checked once a loop fires
    video: VideoSync | None = None  #: Where loops are found in a video

    def to_dict(self) -> dict[str, Any]:
        """What ``slow --json`` gives; events beyond `top` are left out."""
        said, found = self.summary.to_dict(), self.summary
        events = to_json(list(found.slow.events[: self.top]))
        for event in events:
            event["frame"] = None if self.video is None else self.video.frame_at(event["time_s"])
        return {
            "path": found.run.source,
            "phase": said["phase"],
            "judged": said["judged"],
            "slow": {**said["slow"], "events": events},
            "contention": said["contention"],
            "recurrence": said["recurrence"],
            "loop": to_json(self.detail),
            "delay": to_json(self.delay),
        }


def slow(
    asked: Asked,
    run: Run,
    *,
    top: int = 20,
    loop: int | None = None,
    delay_ms: float | None = None,
    video_fps: float | None = None,
    sync: str | None = None,
) -> SlowAnswer:
    """Which loops were slow, and what stretched in them.

    Parameters
    ----------
    asked, run
        As for `summary`; of the phases it is the one that holds `loop`, else the first.
    top : int
        Events to list.
    loop : int, optional
        A loop to show beside a typical one.
    delay_ms : float, optional [ms]
        A delay that code checks once a loop.
    video_fps, sync
        Frames a second of a video, and ``LOOP=FRAME``.

    Raises
    ------
    UsageError
        If there is no such part or loop, or the video's two options are not both given.
    """
    from looptime.analysers.loop_detail import loop_detail, parse_sync
    from looptime.analysers.waits import delay

    if (video_fps is None) != (sync is None):
        raise UsageError("--video-fps and --sync LOOP=FRAME belong together: give both")
    # the first phase, or the one that holds the loop asked for
    found = next(_by_phase(asked, run, most=1, loop=loop))
    return SlowAnswer(
        found,
        top,
        None if loop is None else loop_detail(found.basis, loop),
        None if delay_ms is None else delay(found.run, delay_ms),
        None if sync is None or video_fps is None else parse_sync(sync, video_fps, run),
    )


def draft(logs: Sequence[Log], target: str) -> None:
    """Write a starter project file from the longest run of the first log.

    Raises
    ------
    UsageError
        If there is no log, or the file is there already or cannot be written.
    """
    from looptime.analysers.starter_project import draft_project

    if not logs:
        raise UsageError("--draft-project needs a log that can be read")
    write_whole(target, draft_project(max(logs[0].runs, key=len)), new=True)


def write_rows_set_aside(logs: Sequence[Log], target: str) -> None:
    """Write the rows that were not used.

    Raises
    ------
    UsageError
        If they are of more than one log, or cannot be written.
    """
    from looptime.parsers.kept.setaside import write_set_aside

    if len(logs) != 1:
        raise UsageError("--set-aside writes the rows of one log: name one that can be read")
    archive = zip_of(logs[0].path)
    if archive is not None and Path(target).exists() and archive.samefile(target):
        raise UsageError(f"{target} is the log itself: name another file for the rows set aside")
    with at_hand(logs[0].path) as place:
        write_set_aside(replace(logs[0], path=place), target)


def export(asked: Asked, log: Log, out: str) -> None:
    """Write the loops and calls of a log as a table; `looptime` reads it again as a log.

    Raises
    ------
    UsageError
        If `out` is the log itself, or names another kind of file than Parquet and CSV.
    """
    from looptime.parsers.kept.store import write_runs
    from looptime.parsers.text.source import is_same_file

    if is_same_file(out, log.path):
        raise UsageError(f"{out} is the log itself: name another file for the export")
    write_runs(tuple(asked.part(run) for run in log.runs), out)
