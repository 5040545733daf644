"""A proposed plan in words: what to do, what it buys, and the command that looks closer."""

from __future__ import annotations

from pathlib import PurePath
from typing import TYPE_CHECKING

from looptime.views.text.terminal import in_full, number, safe
from looptime.words import LEAST_MS, shell_word, signed

if TYPE_CHECKING:
    from looptime.planner.search.proposals import Proposal, Suggestions

__all__ = ["gain_ends", "gain_of", "gain_range", "plan_command", "share_of_loop", "what_to_do"]

#: A command is shown whole, however many calls it names.
_WHOLE = 10_000


def what_to_do(plan: Proposal) -> str:
    """A plan in a sentence, without the full stop."""
    return in_full(plan.say or " + ".join(plan.changes))


def gain_of(plan: Proposal) -> str:
    """What a plan buys: so many ms less, or more."""
    value = plan.gain_ms.value or 0.0
    return f"{number(abs(value))} ms {'less' if value < 0 else 'more'}"


def gain_range(plan: Proposal) -> str:
    """The ends of what a plan buys, with their signs."""
    return " to ".join(
        signed(end or 0.0, 3, least=LEAST_MS) for end in (plan.gain_ms.low, plan.gain_ms.high)
    )


def gain_ends(plan: Proposal) -> str:
    """The same behind `gain_of`, in its words: less and more are said where both may be."""
    low, high = (end or 0.0 for end in (plan.gain_ms.low, plan.gain_ms.high))
    if low < -LEAST_MS and high > LEAST_MS:
        return f"{number(-low)} less to {number(high)} more"
    ends = sorted((abs(low), abs(high)))
    return " to ".join("0" if end < LEAST_MS else number(end) for end in ends)


def share_of_loop(plan: Proposal, at: Suggestions) -> str:
    """What a plan buys as a share of the loop, or of its work; empty where that is not known."""
    work = at.judged == "work"
    now = at.now_work_ms if work and at.now_work_ms else at.now_ms["mean"]
    share = 100 * abs(plan.gain_ms.value or 0.0) / now if now else None
    return "" if share is None else f"{share:.0f} % of the {'work' if work else 'loop'}"


def plan_command(plan: Proposal, at: Suggestions, options: str = "") -> str:
    """The command that looks closer at a plan."""
    changes = " ".join(f"--change {shell_word(text)}" for text in plan.changes)
    log = shell_word(PurePath(at.source).as_posix()) if at.source else "LOG"
    return f"looptime plan {safe(log, _WHOLE)} {safe(changes, _WHOLE)}{options}"
