"""The pace that a log already keeps: what is saved in the loop is waited for at its end."""

import numpy as np

from looptime.analysers.pacing_waits import find_waits
from looptime.planner.play.draft import Draft

__all__ = ["end_pace", "keep_pace"]


def keep_pace(draft: Draft) -> None:
    """Let a draft keep the pace of its log: its waits are taken out, and waited anew at the end."""
    if draft.known.pace is None:
        return
    pace, known = draft.known.pace
    run = draft.known.run
    _drop_waits(draft)
    gap = find_waits(run, run.self_pieces()).gap_ns
    end = draft.line.end
    if gap is not None:
        draft.length[end] -= np.minimum(gap, draft.length[end])
    if not known:
        draft.warn(
            "the loop keeps a fixed rate, but its wait is not logged: the time after each loop's "
            "last call is taken for the wait, so the headroom is a guess"
        )
        draft.length[end] = 0.0
    draft.pace = pace


def end_pace(draft: Draft) -> None:
    """Take out every pacing wait."""
    _drop_waits(draft)
    draft.pace = None


def _drop_waits(draft: Draft) -> None:
    waits = [c for c in draft.known.on_loop if draft.names[c].kind == "pacing"]
    if waits:
        draft.kill(draft.rows(waits))
    for code in waits:
        draft.clocks.pop(code, None)
        draft.timed.pop(code, None)
        draft.pulses.pop(code, None)
