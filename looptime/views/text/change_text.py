"""How changes are written in the texts of comparisons, gates and seasons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from looptime.views.text.terminal import in_full
from looptime.words import number, p_value, signed

if TYPE_CHECKING:  # a list of a season's runs needs no arrays
    from looptime.analysers.estimate import Figure
    from looptime.checks.compare.change import Change
    from looptime.checks.recording.facts import Facts

__all__ = [
    "TITLES", "amount", "cut_lines", "inset", "interval", "line", "p_value", "sides",
    "signed",
]  # fmt: skip

#: What the statistics are called in a table's first column.
TITLES = {"worst1": "worst 1 %", "worst5": "worst 5 %", "rate": "loops/s", "overruns": "overruns"}
#: Of fewer loops, in all, a third place after the point is shown.
_RARE = 1e-3


def inset(part: RenderableType) -> RenderableType:
    """A part, two columns further in."""
    return Padding(part, (0, 0, 0, 2))


def line(text: str) -> RenderableType:
    """A line of text, two columns further in."""
    return inset(Text(in_full(text)))


def cut_lines(runs: Sequence[Facts]) -> list[RenderableType]:
    """What was left out at the start of the runs, where anything was.

    A summary leaves out only a warm-up that it finds; here the runs are to be alike.
    """
    cuts = [f.cut_s for f in runs]
    if not cuts or max(cuts) <= 0:
        return []
    low, high = f"{min(cuts):.3g}", f"{max(cuts):.3g}"
    span = high if low == high else f"{low} to {high}"
    whose = "the run" if len(cuts) == 1 else "each run"
    text = (
        f"warm-up: the first {span} s of {whose} are left out, at least 1 s even where none shows "
        "(--keep-warmup keeps them)"
    )
    return [line(text)]


def interval(figure: Figure) -> str:
    """The ends of a change; empty where they are not known."""
    if figure.low is None or figure.high is None:
        return ""
    return f"{signed(figure.low)} to {signed(figure.high)}"


def sides(change: Change) -> list[str]:
    """Before, after and the change between them, which subtract: of a count, shares of the loops.

    Sides that hold unlike many loops have counts that say nothing of each other.

    Examples
    --------
    >>> from looptime.checks.compare.change import Change
    >>> sides(Change("period", "overruns", before=5, after=7, before_share=0.05, after_share=0.01))
    ['5 %', '1 %', '-4 %']
    """
    before, after = change.before_share, change.after_share
    if before is None or after is None:
        own = change.before, change.after
        return [*(number(v, 4) for v in own), signed(change.difference.value)]
    places = 3 if min(v for v in (before, after, 1.0) if v) < _RARE else 2
    a, b = (round(100 * v, places) for v in (before, after))
    by = round(b - a, places)
    return [f"{a:g} %", f"{b:g} %", f"{by:+g} %" if by else "0"]


def amount(value: float | None, unit: str) -> str:
    """A value or a limit of the gate with its unit; a share in percent."""
    if value is None:
        return "-"
    if unit == "share":
        return f"{number(100 * value)} %"
    return f"{number(value)} {unit}"
