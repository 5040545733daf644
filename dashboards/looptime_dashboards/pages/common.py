"""What several pages say."""

from __future__ import annotations

from typing import Any

from dash import html

from looptime.analysers import Summary
from looptime.views.terminal import number, safe

__all__ = ["used"]


def used(at: Summary, sampled: bool) -> Any:
    """How many loops the figures rest on, and what was left out."""
    text = f"{at.pace.loops:,} loops in {number(at.pace.duration_s)} s"
    if at.phase:
        text += f" of phase {safe(at.phase, 40)}"
    left_out = at.loops - at.pace.loops
    if left_out:
        text += f"; the first {left_out:,} ({number(at.duration_s - at.pace.duration_s, 2)} s) are "
        text += "warm-up and left out"
    elif at.warmup.loops and at.warmup.kept:
        text += f"; the first {at.warmup.loops:,} are warm-up and stay in the figures"
    if at.basis.judged == "work":
        text += ". The loop is paced: costs are judged on its work, without the wait"
    elif at.pacing.fixed_rate:
        text += ". The loop is paced, but its wait is not logged: headroom can't be told"
    text += "."
    if sampled:
        text += " A sample for now: the figures of all loops are on their way."
    return html.P(text, className="note", role="status", id="used")
