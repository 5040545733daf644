"""A pace that was changed between the sides: it changes the period, whatever the code does."""

from collections.abc import Sequence

from looptime.checks.compare.sides import Judged, Unlike
from looptime.checks.recording.facts import Facts
from looptime.words import number

__all__ = ["SAME_RATE", "other_pace"]

#: Nominal rates that differ by more than this share are another pace, and so much off a whole
#: multiple no multiple.
SAME_RATE = 0.02
#: A loop whose work takes more than this share of the faster pace may miss each second tick of it.
_FULL = 0.9


def other_pace(before: Sequence[Judged], after: Sequence[Judged], quantity: str) -> list[Unlike]:
    """That the loop was set to another pace, and what that means for a comparison; else nothing.

    Nothing is said where the runs of a side differ, or one of them keeps to no known rate.
    """
    hz = [_pace([run.facts for run in side]) for side in (before, after)]
    old, new = hz
    if old is None or new is None or abs(old / new - 1) <= SAME_RATE:
        return []
    said = f"the loop is paced at {number(new)} Hz instead of {number(old)}"
    if _may_miss(before if old < new else after, *sorted((old, new))):
        said += f" (or its work no longer fits {number(1e3 / max(old, new))} ms)"
    said += f": a pass begins every {number(1e3 / new)} ms instead of {number(1e3 / old)}"
    means = (
        "whatever its work, which is what is compared" if quantity == "work"
        else "so a longer or shorter period says nothing of the code"
    )  # fmt: skip
    return [Unlike("pace", f"{said}, {means}")]


def _pace(facts: Sequence[Facts]) -> float | None:
    """The nominal rate that all runs of a side keep to; None where there is none."""
    rates = [one.nominal_hz for one in facts if one.pacing_mode.startswith("fixed rate")]
    known = [hz for hz in rates if hz is not None]
    if len(known) < len(facts) or max(known) > (1 + SAME_RATE) * min(known):
        return None
    return known[0]


def _may_miss(slower: Sequence[Judged], low_hz: float, high_hz: float) -> bool:
    """Whether the slower side may be set to the faster pace, of which its work misses ticks."""
    ratio, fits = high_hz / low_hz, 1e3 / high_hz
    if abs(ratio - round(ratio)) > SAME_RATE:
        return False
    work = [found.value for run in slower if (found := run.values.get("mean", "work")) is not None]
    return not work or max(work) > _FULL * fits
