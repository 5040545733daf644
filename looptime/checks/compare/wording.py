"""The verdict of a comparison in plain words."""

import math
from collections.abc import Sequence

from looptime.analysers.estimate import Figure
from looptime.checks.compare.change import Change, Tolerance, in_words, limits_in_words
from looptime.checks.compare.comparison import Comparison
from looptime.checks.compare.explain import PACING_WAIT
from looptime.checks.compare.replaced import Replaced
from looptime.words import listed, number

__all__ = ["amount", "sentences", "together", "unjudged"]

#: Share of the change of the mean from which on a call that came or went is told.
_MUCH = 0.3
#: Share of the change that the parts must carry which are named as where it lies.
_HALF = 0.5
ABBA = "Record at least 3 + 3 runs in ABBA order."


def unjudged(changes: Sequence[Change], tolerance: Tolerance) -> list[Change]:
    """Figures that could not be judged and show a change above both tolerances."""
    out = []
    for c in changes:
        ms = None if c.statistic in ("overruns", "rate") else c.difference.value
        if c.p is None and c.percent.value and tolerance.exceeded(c.percent.value, ms):
            out.append(c)
    return out


def sentences(made: Comparison, hidden: str, tolerance: Tolerance) -> list[str]:
    """The verdict in words, then what to do about it.

    `hidden` says why the work of some run may be longer unseen; empty where it may not.
    """
    mean = next((c for c in made.changes if c.statistic == "mean"), None)
    what = f"mean {made.quantity} per loop" if made.quantity == "work" else "mean period"
    out = []
    if hidden:
        out.append(f"Can't tell, {hidden}. Log the wait as a call of kind pacing.")
    if mean is None:
        return [*out, "Can't tell: no figure of the whole loop could be compared."]
    by = amount(mean.percent)
    open_ = unjudged(made.changes, tolerance)
    if made.recordings:
        return [*out, *_two_recordings(made, mean, what, by, open_)]
    if made.verdict in ("slower", "faster"):
        moved = [c for c in made.changes if c.verdict == made.verdict and c.statistic != "rate"]
        which = (
            what if mean.verdict == made.verdict else f"{moved[0].statistic} of the {made.quantity}"
        )
        found = by if mean.verdict == made.verdict else amount(moved[0].percent)
        tail = _tail(mean, moved) if mean.verdict == made.verdict else ""
        out.append(f"{made.verdict.capitalize()}: {which} {found}{tail}{_alike(made)}.")
    elif made.verdict == "no change seen" and mean.seen_percent is not None:
        out.append(f"No change seen in the {what}: a change of {in_words(mean.seen_percent)} %"
                   " would have been seen.")  # fmt: skip
    elif not hidden and not open_:
        out.append(f"Can't tell: {what} {by}" + (f"; {mean.note}." if mean.note else "."))
    out += _open(mean, what, open_) + _copies(made) + _stall(made) + _steadier(made, mean)
    out += _mixed(made) + _replaced(made) + _by_call(made)
    if min(len(made.before), len(made.after)) == 2 and not made.history:
        out.append("Two runs a side show only changes of about 5.4 run-to-run sd: record 3 + 3.")
    return out


def together(made: Comparison) -> list[str]:
    """That the phases of a log are judged together, whose unlike work scatters every figure."""
    mixes = [facts.phases for facts in (*made.before, *made.after)]
    if not mixes or any(len(mix) < 2 for mix in mixes):
        return []
    held = listed([f"{name} {round(100 * share)} %" for name, share in mixes[0]], 5)
    return [
        f"The phases are taken together ({held}): what differs between them hides what changed;"
        " --phase NAME compares one alone."
    ]


def _copies(made: Comparison) -> list[str]:
    """Which runs were handed in more than once, or in pieces."""
    return [f"{u.text}." for u in made.unlike if u.what in ("copies", "pieces")]


def _stall(made: Comparison) -> list[str]:
    """The one loop that makes most of the change of the mean, or hides it."""
    at = made.stall
    if at is None:
        return []
    whole = made.explained.difference_ms
    share = at.adds_ms / whole if whole else 0.0
    held = f", in {at.call}," if at.call else ""
    makes = (
        "hides a change" if share < 0 else "makes the change" if share > 1
        else f"makes {round(100 * share)} % of the change"
    )  # fmt: skip
    return [
        f"One stall of {number(at.ms)} ms in {at.run}{held} {makes} of the mean: without that loop"
        f" it is {at.without_ms:+.3g} ms ({in_words(at.without_percent, '+')} %)."
    ]


def _open(mean: Change, what: str, figures: Sequence[Change]) -> list[str]:
    """What moved and could not be judged, and what it would take."""
    if not figures or mean.verdict in ("slower", "faster"):
        return []
    shown = "; ".join(
        f"{c.statistic} moved by {in_words(c.percent.value or 0.0, '+')} % and could not be"
        f" judged ({c.note or 'too few loops'})"
        for c in figures
    )
    if mean.verdict == "no change seen":
        return [f"No change seen in the {what}, but {shown}."]
    note = f"; {mean.note}" if mean.note else ""
    if mean.p is None:  # it is one of them
        return [f"Can't tell: {shown}."]
    return [f"Can't tell: {what} {amount(mean.percent)}{note}; {shown}."]


def _tail(mean: Change, moved: Sequence[Change]) -> str:
    """The figure of the tail that moved most, where it moved much more than the mean."""
    tails = [c for c in moved if c.statistic not in ("mean", "median", "overruns")]
    most = max(tails, key=lambda c: abs(c.percent.value or 0.0), default=None)
    if most is None or abs(most.percent.value or 0.0) < 2 * abs(mean.percent.value or 0.0):
        return ""
    return f"; {most.statistic} {amount(most.percent)}"


def _alike(made: Comparison) -> str:
    """That no one call explains the change, where all of them changed alike."""
    if made.alike is None:
        return ""
    low, high = sorted((made.alike.low_percent, made.alike.high_percent), key=abs)
    more = low > 0
    ends = [in_words(abs(p)) for p in (low, high)]
    by = f"{ends[0]} %" if ends[0] == ends[1] else f"{ends[0]} to {ends[1]} %"
    return (
        f"; {'' if made.alike.every else 'nearly '}every call took {'longer' if more else 'less'},"
        f" by {by}: the machine was {'slower' if more else 'faster'} (or what all calls share),"
        " not one call" + ("" if _seen(made) else "; no change of a single one can be seen")
    )


def _seen(made: Comparison) -> bool:
    """Whether any call's own change was seen."""
    return any(c.verdict in ("slower", "faster") for c in made.calls)


def _steadier(made: Comparison, mean: Change) -> list[str]:
    """The median where it tells what the mean cannot: stalls scatter the mean from run to run."""
    middle = next((c for c in made.changes if c.statistic == "median"), None)
    if middle is None or mean.verdict != "can't tell" or middle.verdict != "no change seen":
        return []
    return [f"The median tells more: no change seen, {in_words(middle.seen_percent or 0.0)} % would"
            " have been. Stalls scatter the mean between runs."]  # fmt: skip


def _replaced(made: Comparison) -> list[str]:
    """Calls that took the place of others, and those that left the loop or came, if they matter."""
    return [f"{r.text}." for r in _told(made)]  # begins with a call


def _told(made: Comparison) -> list[Replaced]:
    least = _MUCH * abs(made.explained.difference_ms)
    return [r for r in made.replaced
            if (r.before and r.after) or abs(r.after_ms - r.before_ms) >= least > 0]  # fmt: skip


def _two_recordings(
    made: Comparison, mean: Change, what: str, by: str, open_: Sequence[Change]
) -> list[str]:
    out, usual = [], _as_usual(made)
    moved = [c for c in made.changes if c.verdict in ("slower", "faster") and c.statistic != "rate"]
    if made.recordings == "differ" and mean.verdict in ("slower", "faster"):
        last = _tail(mean, moved)
        if usual:  # the exit code says as much
            out.append(
                f"Can't tell of the code: these two recordings differ, {what} {by}{usual}{last}."
            )
        else:
            apart = _alike(made) or last
            out.append(f"These two recordings differ: {mean.verdict}, {what} {by}{apart}.")
    elif made.recordings == "differ":
        tail = moved[0]
        out.append(f"These two recordings differ: {tail.verdict} in the {tail.statistic}"
                   f" {amount(tail.percent)}; {what} {by}.")  # fmt: skip
    elif open_:
        out += _open(mean, what, open_)
    elif made.recordings == "no difference seen":
        seen = "" if mean.seen_percent is None else (
            f"; a change of {in_words(mean.seen_percent)} % would have been seen"
        )  # fmt: skip
        out.append(f"No difference seen between these two recordings: {what} {by}{seen}.")
    else:
        out.append(f"Can't tell whether these two recordings differ: {what} {by}"
                   + (f"; {mean.note}." if mean.note else "."))  # fmt: skip
    at = made.usual_scatter
    if at is not None:
        word = "more than" if at.beyond else "within"
        change = in_words(at.change_percent, "+")
        out.append(f"The change of the mean, {change} %, is {word} the usual"
                   f" scatter between runs of {limits_in_words(at.limit_percent)}"
                   f" ({at.rests_on}).")  # fmt: skip
    out[1:1] = _copies(made) + _stall(made)
    if usual and made.alike and mean.verdict in ("slower", "faster"):
        every = _alike(made).removeprefix("; ")
        out.append(f"{every[0].upper()}{every[1:]}.")
    out += _mixed(made) + _replaced(made) + _by_call(made)
    if made.recordings == "differ":
        out.append(f"One run a side cannot tell a code change from ordinary run-to-run scatter."
                   f" {ABBA}")  # fmt: skip
    else:
        out.append(f"One run per side says nothing certain about the code. {ABBA}")
    return out


def _as_usual(made: Comparison) -> str:
    """That a difference of two recordings is no more than runs of the same code have."""
    at = made.usual_scatter
    if at is None or at.beyond:
        return ""
    return f", no more than runs {'usually' if made.history else 'are assumed to'} scatter"


def amount(percent: Figure) -> str:
    """A change in percent with its interval.

    Examples
    --------
    >>> amount(Figure(2.13, 1.2, 3.1))
    '+2.1 % (+1.2 to +3.1)'
    """
    if percent.value is None:
        return "changed from 0"
    if percent.low is None or percent.high is None:
        return f"{in_words(percent.value, '+')} %"
    low, high = in_words(percent.low, "+"), in_words(percent.high, "+")
    return f"{in_words(percent.value, '+')} % ({low} to {high})"


_TITLES = {"worst1": "the worst 1 %", "worst5": "the worst 5 %"}


def _mixed(made: Comparison) -> list[str]:
    words = {
        v: [c.statistic for c in made.changes if c.verdict == v and c.statistic != "rate"]
        for v in ("slower", "faster")
    }
    if words["slower"] and words["faster"]:
        slower, faster = (
            ", ".join(_TITLES.get(s, s) for s in words[v]) for v in ("slower", "faster")
        )
        return [f"Mixed: slower in {slower}; faster in {faster}."]
    return []


def _carried(made: Comparison) -> list[str]:
    """The parts that carry half of a change of the mean, where no verdict names them first."""
    mean = next((c for c in made.changes if c.statistic == "mean"), None)
    if mean is None or mean.verdict not in ("slower", "faster") or made.explained.cancels:
        return []
    held, most = 0.0, []
    parts = [p for p in made.explained.parts if p.name != PACING_WAIT]  # that the others made
    half = _HALF * math.fsum(p.share or 0.0 for p in parts)
    for p in parts[:3]:
        if held < half and (p.share or 0.0) > 0:
            held += p.share or 0.0
            most.append(p)
    named = {c.call for c in made.calls if c.verdict == mean.verdict and c.statistic == "mean"}
    went = {name for r in made.replaced for name in (*r.before, *r.after)}
    if held < half or not most or {p.name for p in most} <= named | went:
        return []
    costs = listed([f"{p.name} ({p.difference_ms:+.3g} ms a loop)" for p in most], 3)
    return [f"{round(100 * held)} % of it is in {costs}."]


def _by_call(made: Comparison) -> list[str]:
    """The calls that changed, those first that cost the loop most; p99 where no mean changed."""
    seen = any(c.statistic == "mean" and c.verdict in ("slower", "faster") for c in made.changes)
    if made.alike is not None and seen:  # all did, whether or not one alone would have shown
        if not _seen(made):  # then no one is named for it
            return []
        most = [p for p in made.explained.parts if p.name in made.alike.calls][:3]
        costs = listed([f"{p.name} ({p.difference_ms:+.3g} ms a loop)" for p in most], 3)
        return [f"It {'cost' if made.alike.low_percent > 0 else 'gained'} most in {costs}."]
    out = _carried(made)
    dear = sorted(made.calls, key=lambda c: (  # what another thread does costs the loop nothing
        bool(c.thread), c.statistic != "mean", -abs(c.difference.value or 0),
    ))  # fmt: skip
    went = {name for r in _told(made) for name in (*r.before, *r.after)}
    for verdict in ("slower", "faster"):
        told: dict[str, str] = {}
        for c in dear:
            if c.verdict == verdict and c.call not in told and c.call not in went:
                ms, percent = c.difference.value or 0.0, in_words(c.percent.value or 0.0, "+")
                by = f"{ms:+.3g} ms a loop" if c.statistic == "mean" else f"p99 {percent} %"
                told[c.call] = f"{by}, on another thread" if c.thread else by
        if told:
            shown = listed([f"{name} ({by})" for name, by in told.items()], 5)
            out.append(f"{verdict.capitalize()} calls: {shown}.")
    return out
