"""Sides of which one begins with a warm-up and the other does not: what the cut leaves out."""

from collections.abc import Sequence

from looptime.analysers.basis import prepare
from looptime.analysers.contrast import mean_self_ms
from looptime.checks.compare.sides import Unlike
from looptime.checks.recording.facts import Facts
from looptime.checks.recording.figures import RunValues
from looptime.checks.recording.recording import LEAST_CUT_S, Recording
from looptime.schema import UNATTRIBUTED
from looptime.words import ms

__all__ = ["unlike_cuts", "unlike_starts"]

#: A warm-up is unlike the other side's from so many times its length on.
_TIMES = 1.5
#: Share of the difference at the start that one call holds which is named; and of a loop, which is
#: worth a word.
_MOSTLY, _WORTH = 0.5, 0.03


def unlike_starts(
    before: Sequence[Recording | RunValues], after: Sequence[Recording | RunValues]
) -> list[Unlike]:
    """What is said where only the runs of one side begin with a warm-up, or a far longer one.

    The same time is cut from all of them, so that the verdict is of alike parts; but a start that a
    change of the code made slow is cut with it.
    """
    runs = [[item for item in side if isinstance(item, Recording)] for side in (before, after)]
    if not all(runs) or any(run.settings.keep_warmup for side in runs for run in side):
        return []
    own = [[run.warmup_s for run in side] for side in runs]
    long = next((k for k in (0, 1) if _far_longer(own[k], own[1 - k])), None)
    if long is None:
        return []
    cut = max(own[long])
    costs = [_at_start(side, cut) for side in runs]
    level = [sum(one.values()) for one in costs]
    more = {name: costs[long].get(name, 0.0) - costs[1 - long].get(name, 0.0)
            for name in costs[long]}  # fmt: skip
    lead = max(more, key=lambda name: more[name], default="")
    apart = level[long] - level[1 - long]
    if apart < _WORTH * level[1 - long]:
        return []
    who = (
        f", mostly {lead}"
        if lead and lead != UNATTRIBUTED and more[lead] >= _MOSTLY * apart
        else ""
    )
    which = ("before", "after")[long]
    text = (
        f"only the side {which!r} begins with a warm-up: the first {cut:.3g} s are left out of all "
        f"runs, where a loop takes {ms(level[0])} before and {ms(level[1])} after{who}; if that is "
        "no warm-up but a change, compare with --keep-warmup"
    )
    return [Unlike("warmup", text)]


def _far_longer(one: Sequence[float], other: Sequence[float]) -> bool:
    return min(one) >= _TIMES * max(*other, LEAST_CUT_S)


def _at_start(runs: Sequence[Recording], seconds: float) -> dict[str, float]:
    """Self time of each call in the first seconds of the runs, a loop [ms]."""
    made: dict[str, float] = {}
    for one in runs:
        basis = prepare(one.run)
        start = one.run.loop_columns.start_ns
        own = mean_self_ms(basis, start - start[0] < seconds * 1e9)
        for name, cost in zip([*(n.name for n in one.run.names), UNATTRIBUTED], own, strict=True):
            made[name] = made.get(name, 0.0) + float(cost) / len(runs)
    return made


def unlike_cuts(new: Sequence[Facts], old: Sequence[Facts]) -> list[str]:
    """The same of new runs and stored ones, of which nothing but the cut is known."""
    cuts = [[facts.cut_s for facts in side] for side in (new, old)]
    if not all(cuts):
        return []
    kept = [{cut == 0 for cut in side} for side in cuts]
    if kept[0] != kept[1]:
        return ["some runs hold their warm-up and others do not: what is slow at the start counts "
                "in those alone"]  # fmt: skip
    if _far_longer(cuts[0], cuts[1]):
        return [f"the first {max(cuts[0]):.3g} s of the new runs are left out as warm-up, of the "
                f"baseline {max(cuts[1]):.3g} s at most: if they are no warm-up but a change, "
                "check with --keep-warmup"]  # fmt: skip
    return []
