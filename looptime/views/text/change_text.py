"""How changes are written in the texts of comparisons, gates and seasons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import RenderableType
from rich.padding import Padding

from looptime.views.text.terminal import plain
from looptime.words import number, p_value, signed

if TYPE_CHECKING:  # a list of a season's runs needs no arrays
    from looptime.analysers.estimate import Figure
    from looptime.checks.recording.facts import Facts

__all__ = [
    "LONGEST", "TITLES", "amount", "cut_lines", "inset", "interval", "line", "p_value", "signed",
]  # fmt: skip

#: What the statistics are called in a table's first column.
TITLES = {"worst1": "worst 1 %", "worst5": "worst 5 %", "rate": "loops/s", "overruns": "overruns"}
#: A line of text is cut at this length.
LONGEST = 400


def inset(part: RenderableType) -> RenderableType:
    """A part, two columns further in."""
    return Padding(part, (0, 0, 0, 2))


def line(text: str) -> RenderableType:
    """A line of text, two columns further in."""
    return inset(plain(text, LONGEST))


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


def amount(value: float | None, unit: str) -> str:
    """A value or a limit of the gate with its unit; a share in percent."""
    if value is None:
        return "-"
    if unit == "share":
        return f"{number(100 * value)} %"
    return f"{number(value)} {unit}"
