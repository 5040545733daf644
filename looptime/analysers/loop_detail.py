"""One loop beside a typical one, and where slow loops lie in a video of the robot."""

import numpy as np

from looptime.analysers.basis import Basis
from looptime.analysers.contrast import mean_self_ms
from looptime.errors import UsageError
from looptime.records import dataclass
from looptime.run import Run
from looptime.schema import UNATTRIBUTED

__all__ = ["CallInLoop", "LoopDetail", "VideoSync", "loop_detail", "parse_sync"]


@dataclass(frozen=True)
class CallInLoop:
    """One name in one loop."""

    name: str
    calls: int  #: Calls that begin in the loop
    #: Self time in this loop, and mean self time in a typical one.
    self_ms: float
    typical_ms: float

    @property
    def excess_ms(self) -> float:
        """What it took beyond a typical loop [ms]."""
        return self.self_ms - self.typical_ms


@dataclass(frozen=True)
class LoopDetail:
    """One loop beside a typical one."""

    loop: int  #: Number as logged
    time_s: float  #: Its start since the start of the recording
    #: Its period, the quantity judged in it, and that in a typical loop.
    period_ms: float
    judged_ms: float
    typical_ms: float
    judged: str  #: ``work`` or ``period``
    phase: str | None
    line: int | None  #: Line of the log where it begins
    #: What it took and what is usual, the largest difference first; adds up to the quantity judged.
    rows: tuple[CallInLoop, ...]
    #: Periods of up to three loops before and after it.
    before_ms: tuple[float, ...]
    after_ms: tuple[float, ...]


@dataclass(frozen=True)
class VideoSync:
    """A video in which one frame is known to show the start of one loop."""

    fps: float  #: Frames a second at which it was recorded [1/s]
    time_s: float  #: Start of that loop since the start of the recording
    frame: int  #: The frame that shows it

    def frame_at(self, time_s: float) -> int:
        """Frame that shows a moment, in seconds since the start of the recording.

        Examples
        --------
        >>> VideoSync(240.0, 2.0, 100).frame_at(2.5)
        220
        """
        return self.frame + round((time_s - self.time_s) * self.fps)


def parse_sync(text: str, fps: float, run: Run) -> VideoSync:
    """The sync point that ``LOOP=FRAME`` states.

    Parameters
    ----------
    text : str
        Number of a loop as logged, and of the frame in which it starts.
    fps : float [1/s]
        Frames a second of the recording; those of the camera, not of the playback.
    run : Run
        The whole recording.

    Raises
    ------
    UsageError
        If the text has another form, there is no such loop, or the rate is not above 0.
    """
    if not 0 < fps < 1e6:
        raise UsageError(f"--video-fps {fps:g}: give frames a second, such as 240")
    loop, _, frame = text.partition("=")
    try:
        number, at_frame = int(loop), int(frame)
    except ValueError:
        raise UsageError(f"--sync {text!r}: write LOOP=FRAME, such as 120=1440") from None
    start = run.loop_columns.start_ns
    return VideoSync(float(fps), float(start[_place(run, number)] - start[0]) / 1e9, at_frame)


def loop_detail(basis: Basis, loop: int) -> LoopDetail:
    """What one loop took beside a typical one.

    Parameters
    ----------
    basis : Basis
        The run, and what was found of it first.
    loop : int
        Number of the loop as logged.

    Raises
    ------
    UsageError
        If there is no such loop.
    """
    run = basis.run
    k = _place(run, loop)
    at, n = run.loop_columns, len(run)
    only = np.arange(n) == k
    own, usual = mean_self_ms(basis, only), mean_self_ms(basis, basis.typical)
    counts = np.zeros(len(run.names) + 1, np.int64)
    mine = (run.call_columns.loop == k) & run.on_loop_thread
    counts[:-1] = np.bincount(run.call_columns.name[mine], minlength=len(run.names))
    names = [*(name.name for name in run.names), UNATTRIBUTED]
    order = np.argsort(-np.abs(own - usual), kind="stable")
    rows = tuple(
        CallInLoop(names[c], int(counts[c]), float(own[c]), float(usual[c]))
        for c in order
        if own[c] or usual[c]
    )
    period = basis.period_ms
    phase = None
    if at.phase is not None and at.phase[k] >= 0:
        phase = at.phase_names[at.phase[k]]
    return LoopDetail(
        loop, basis.time_s(k), float(period[k]),
        float(basis.judged_ms[k]), float(usual.sum()), basis.judged, phase,
        None if at.line is None else int(at.line[k]), rows,
        tuple(float(p) for p in period[max(k - 3, 0) : k]),
        tuple(float(p) for p in period[k + 1 : k + 4]),
    )  # fmt: skip


def _place(run: Run, loop: int) -> int:
    numbers = run.loop_columns.loop
    found = np.flatnonzero(numbers == loop)
    if len(found):
        return int(found[0])
    if not len(numbers):
        raise UsageError(f"loop {loop} is not there: the run has no loops")
    raise UsageError(
        f"loop {loop} is not there: those looked at go from {numbers[0]} to {numbers[-1]} "
        "(--phase, --from and --to leave loops out, --keep-warmup keeps those at the start)"
    )
