"""Small parts that the text of `summary` and `slow` is made of."""

import math
import os.path
import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import PurePath

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.text import Text

from looptime.analysers.summary import Summary
from looptime.records import dataclass
from looptime.views.text.terminal import count, in_full, safe
from looptime.words import brief, number, percent

__all__ = [
    "brief",
    "hanging",
    "indented",
    "labelled",
    "most_time_first",
    "name_cell",
    "percent",
    "tick_text",
    "told_apart",
    "used_line",
]

#: What makes a word a path, which is never broken: a folder's mark with more of it on both sides.
_PATH = re.compile(r"(?:^|[\w.~:/\\-])[/\\][\w.]")


@dataclass(frozen=True)
class _Hanging:
    lead: str
    text: str
    no_wrap = True  #: It folds its lines itself

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """The lead, and the lines of the text one under the other."""
        room = max(options.max_width - len(self.lead), 1)
        between = "\n" + " " * len(self.lead)
        yield Text(self.lead + between.join(self._lines(console, room)), no_wrap=True)

    def _lines(self, console: Console, room: int) -> Iterator[str]:
        """Lines of so much room; a path that is longer has one of its own, to be copied."""
        rest = self.text
        for word in self.text.split(" "):
            if cell_len(word) > room and _PATH.search(word):
                before, _, rest = rest.partition(word)
                yield from _wrapped(before, console, room)
                yield word
        yield from _wrapped(rest, console, room)


def _wrapped(text: str, console: Console, room: int) -> list[str]:
    if not text.strip(" "):
        return []
    return [line.plain for line in Text(text.strip(" ")).wrap(console, room, overflow="fold")]


def hanging(lead: str, text: str) -> RenderableType:
    """Text whose further lines are indented as far as its first."""
    return _Hanging(lead, in_full(text))


def labelled(label: str, text: str) -> RenderableType:
    """A line that begins with a short label."""
    return hanging(f"  {label:<8}", text)


def indented(part: RenderableType) -> RenderableType:
    """A part two columns in."""
    return Padding(part, (0, 0, 0, 2), expand=False)


def name_cell(name: str, width: int = 23) -> Text:
    r"""A call's name in a cell: broken after a dot where it is long, and never ambiguous.

    Examples
    --------
    >>> name_cell("drive.rear_left.steer.write").plain
    'drive.rear_left.steer.\nwrite'
    """
    text = safe(name, 120)
    lines: list[str] = []
    while len(text) > width and len(lines) < 4:
        dots = [k for k, c in enumerate(text[:width]) if c in "._:/-" and k >= width // 3]
        cut = dots[-1] + 1 if dots else width
        lines.append(text[:cut])
        text = text[cut:]
    return Text("\n".join([*lines, text]))


def most_time_first(counts: Sequence[tuple[str, int]]) -> str:
    """Says why names do not stand in the order of their counts, where they do not.

    Examples
    --------
    >>> most_time_first([("a", 36), ("b", 76)]), most_time_first([("a", 76), ("b", 36)])
    (' (most time first)', '')
    """
    fewer = all(a >= b for (_, a), (_, b) in pairwise(counts))
    return "" if fewer else " (most time first)"


def told_apart(paths: Sequence[str], longest: int) -> list[str]:
    """Names of files by which they differ, no longer than that if it can be.

    Of long ones the end is kept, where names mostly differ; a folder that all share is left out.

    Examples
    --------
    >>> told_apart(["runs/pose_inline_monday_1.csv", "runs/pose_inline_monday_2.csv"], 16)
    ['..._monday_1.csv', '..._monday_2.csv']
    >>> told_apart(["a.csv", "b.csv"], 16)
    ['a.csv', 'b.csv']
    """
    shown = [safe(path, math.inf) for path in paths]
    if max(map(len, shown), default=0) <= longest:
        return shown
    begin = _folder(shown)
    shown = [name.removeprefix(f"{begin}/") for name in shown] if begin else shown
    cut = [n if len(n) <= longest else f"...{n[3 - longest :]}" for n in shown]
    return cut if len(set(cut)) == len(set(shown)) else shown


def _folder(paths: Sequence[str]) -> str:
    """The folder that all paths share; empty where they share none."""
    try:
        return os.path.commonpath([PurePath(path).parent.as_posix() for path in paths])
    except ValueError:  # some begin at the root, some do not
        return ""


def used_line(at: Summary) -> RenderableType:
    """How many loops the figures rest on, and the warm-up that was cut."""
    text = f"{count(at.pace.loops, 'loop')} in {number(at.pace.duration_s)} s"
    text += f" of phase {safe(at.phase)}" if at.phase else ""
    left_out = at.loops - at.pace.loops
    if left_out:
        text += (
            f"; the first {left_out:,} ({number(at.duration_s - at.pace.duration_s, 2)} s) are "
            f"{at.warmup.what} and not in the figures (--keep-warmup)"
        )
    elif at.warmup.loops and at.warmup.kept:
        text += f"; the first {at.warmup.loops:,} are {at.warmup.what} and stay in the figures"
    return labelled("figures", text)


def tick_text(tick_ns: int) -> str:
    """The step of a clock with its unit.

    Examples
    --------
    >>> tick_text(40), tick_text(1500), tick_text(2_000_000)
    ('40 ns', '1.5 us', '2 ms')
    """
    if tick_ns < 1000:
        return f"{tick_ns} ns"
    return f"{tick_ns / 1000:g} us" if tick_ns < 1_000_000 else f"{tick_ns / 1e6:g} ms"
