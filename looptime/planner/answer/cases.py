"""What comes of a plan in each of several cases of which nobody knows which one holds."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from looptime.analysers.estimate import Figure
from looptime.planner.answer.intervals import Side, planned
from looptime.records import dataclass

__all__ = ["CASES", "Case", "hull"]

#: Both answers to each question that may lie open, by the field of a setting that holds it.
CASES = {
    "shared": ("a bus of its own", "a shared bus"),
    "turns": ("threads that compute at once", "threads that take turns"),
}


@dataclass(frozen=True)
class Case:
    """One of the cases that a plan leaves open."""

    what: str  #: In words that go on from "with"
    change_ms: Figure  #: Change of the mean of the quantity judged
    predicted: Side

    def to_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "what": self.what, "change_ms": self.change_ms.to_dict(),
            "predicted": self.predicted.to_dict(),
        }  # fmt: skip


def hull(sides: Sequence[tuple[Side, bool]]) -> Side:
    """Figures whose ranges hold those of each case, and no more.

    Parameters
    ----------
    sides : sequence of (Side, bool)
        Of each case, and whether the value rests on it: the mean over those that it rests on. Where
        cases are too unlike for a mean to say anything, that is one of them.
    """
    if len(sides) == 1:
        return sides[0][0]
    rests = [rests for _, rests in sides]
    all_of = [side for side, _ in sides]

    def nested(
        figures: Sequence[Mapping[str, Mapping[str, Figure]]],
    ) -> dict[str, dict[str, Figure]]:
        return {name: _each([at.get(name, {}) for at in figures], rests) for name in figures[0]}

    return replace(
        all_of[0],
        period_ms=_each([side.period_ms for side in all_of], rests),
        work_ms=_each([side.work_ms for side in all_of], rests),
        rate_hz=_held([side.rate_hz for side in all_of], rests),
        overruns=_overruns(all_of, rests),
        calls=_calls(all_of, rests),
        age_at_first_use_ms=nested([side.age_at_first_use_ms for side in all_of]),
        bus=nested([side.bus for side in all_of]),
    )


def _each(figures: Sequence[Mapping[str, Figure]], rests: Sequence[bool]) -> dict[str, Figure]:
    return {k: _held([at.get(k) for at in figures], rests) for k in figures[0]}


def _held(figures: Sequence[Figure | None], rests: Sequence[bool]) -> Figure:
    """The mean of those that it rests on, with a range that holds the ranges of all."""
    there = [(f, on) for f, on in zip(figures, rests, strict=True) if f and f.value is not None]
    values = [f.value for f, on in there if on and f.value is not None]
    if not values:
        return planned()
    lows = [f.low for f, _ in there if f.low is not None]
    highs = [f.high for f, _ in there if f.high is not None]
    return planned(sum(values) / len(values), min(lows, default=None), max(highs, default=None))


def _overruns(sides: Sequence[Side], rests: Sequence[bool]) -> dict[str, Any] | None:
    first = sides[0].overruns
    if first is None:
        return None
    return {
        k: _held([(side.overruns or {}).get(k) for side in sides], rests)
        if isinstance(at, Figure) else at
        for k, at in first.items()
    }  # fmt: skip


def _calls(sides: Sequence[Side], rests: Sequence[bool]) -> tuple[dict[str, Any], ...]:
    rows = [{(row["name"], row["thread"]): row for row in side.calls} for side in sides]
    made = []
    for key, row in rows[0].items():
        made.append({
            k: _held([of.get(key, {}).get(k) for of in rows], rests)
            if isinstance(at, Figure) else at
            for k, at in row.items()
        })  # fmt: skip
    return tuple(sorted(made, key=lambda row: -(row["self_ms_per_loop"].value or 0.0)))
