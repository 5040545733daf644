"""The base of all text output: safe text, numbers, tables, a console that any terminal can show."""

import io
import re
import sys
from collections.abc import Iterable, Sequence
from functools import cache, cached_property
from itertools import zip_longest
from typing import IO

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, JustifyMethod, RenderableType, RenderResult
from rich.measure import Measurement
from rich.text import Text

from looptime.words import count, figure, number

__all__ = [
    "Drawn", "caution", "command_line", "console", "count", "figure", "heading_line", "in_full",
    "number", "plain", "safe", "show", "table",
]  # fmt: skip

# C0, C1, escape, overrides of direction, line separators: a log's text must not steer a terminal
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
_LONGEST = 60
#: Nothing that is said is as long; a word that is longer than a wide line is cut.
_MOST_SAID = 20_000
_ENDLESS = re.compile(r"(\S{197})\S{4,}")
# columns below which a table leaves some of its own out
_NARROW = 80
# columns of what is no terminal
_PIPED = 100


def safe(text: object, longest: float = _LONGEST) -> str:
    r"""Text from a log as it may be shown in a terminal: no control characters, not too long.

    Examples
    --------
    >>> safe("gyro\x1b[31m.read")
    'gyro?[31m.read'
    >>> safe("abcdefgh", longest=6)
    'abc...'
    """
    shown = _CONTROL.sub("?", str(text))
    return shown if len(shown) <= longest else shown[: int(longest) - 3] + "..."


def in_full(text: object) -> str:
    r"""What is said, with text from a log in it: never cut but for a word that no line holds.

    Examples
    --------
    >>> in_full("First see whether the loop waits for gyro\x1b.read. " * 20)[-24:]
    'p waits for gyro?.read. '
    >>> in_full("first " + "x" * 999)[-4:], len(in_full("x" * 999))
    ('x...', 200)
    """
    return _ENDLESS.sub(r"\1...", safe(text, _MOST_SAID))


def plain(text: object, longest: int = _LONGEST) -> Text:
    """The same as a rich text, in which markup has no meaning."""
    return Text(safe(text, longest))


def heading_line(text: str) -> Text:
    """A heading between parts of the output; bold where the terminal can, plain where not."""
    return Text(f"\n{text}", style="bold")


def caution(text: str) -> Text:
    """A caution that must be read, marked by a word and not by colour alone."""
    return Text.assemble(("caution: ", "bold"), text)


def command_line(text: str) -> Text:
    """A command to copy: it stays in one line, however long it is."""
    return Text(safe(text, 4000), no_wrap=True)


class _Table:
    """Cells in columns, each beginning with its head; a row is never folded.

    What is too wide for the terminal goes another way: on 80 columns and more the first cell of
    each row gets a line of its own; below that columns are left out, the last but one first, and
    named.
    """

    def __init__(self, columns: list[list[Text]], left: Sequence[int]) -> None:
        self._columns, self._left = columns, left
        self._widths = [max(_width(cell.plain) for cell in column) for column in columns]

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        """As wide as the table is that has room enough."""
        return Measurement(_across(self._widths), _across(self._widths))

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Lines of the table, or of the same cells on more lines, or of fewer columns."""
        widths, room = self._widths, options.max_width
        stacked = 2 + sum(widths[1:]) + 2 * len(widths[2:])
        if _across(widths) <= room:
            yield from self._beside(range(len(widths)))
        elif room < _NARROW and _across([widths[0], widths[-1]]) <= room:
            kept = list(range(len(widths)))
            while len(kept) > 2 and _across([widths[k] for k in kept]) > room:
                kept.pop(-2)
            yield from self._beside(kept)
            left = [str(c[0]) for k, c in enumerate(self._columns) if k not in kept]
            yield Text(f"left out, too narrow: {', '.join(left)}", style="dim")
        elif stacked > room:
            yield self._folded()
        else:
            yield from self._stacked()

    def _beside(self, kept: Sequence[int]) -> RenderResult:
        """The columns that are kept, side by side."""
        lines: list[str] = []
        heads = 0
        for row in zip(*(self._columns[k] for k in kept), strict=True):
            cells = [cell.plain.split("\n") for cell in row]
            for beside in zip_longest(*cells, fillvalue=""):
                padded = map(self._padded, kept, beside)
                lines.append("  ".join(padded).rstrip())
            heads = heads or len(lines)
        yield Text("\n".join(lines[:heads]), style="bold", no_wrap=True)
        if len(lines) > heads:
            yield Text("\n".join(lines[heads:]), no_wrap=True)

    def _padded(self, place: int, cell: str) -> str:
        blanks = " " * (self._widths[place] - cell_len(cell))
        return cell + blanks if place in self._left else blanks + cell

    def _stacked(self) -> RenderResult:
        style = "bold"
        for first, *rest in zip(*self._columns, strict=True):
            name = first.plain.replace("\n", "")
            if name:
                yield Text(name, style=style, overflow="fold")
            padded = [self._padded(place, cell.plain) for place, cell in enumerate(rest, 1)]
            if any(cell.strip() for cell in padded):
                yield Text("  " + "  ".join(padded).rstrip(), style=style, no_wrap=True)
            style = ""

    def _folded(self) -> RenderableType:
        """Where nothing else fits, the library folds cells."""
        from rich.table import Table

        made = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
        for at, (head, *_) in enumerate(self._columns):
            justify: JustifyMethod = "left" if at in self._left else "right"
            made.add_column(head, justify=justify, no_wrap=at not in self._left, overflow="fold")
        for row in zip(*(cells for _, *cells in self._columns), strict=True):
            made.add_row(*row)
        return made


def _across(widths: Sequence[int]) -> int:
    """Letters that columns of these widths take beside each other."""
    return sum(widths) + 2 * len(widths[1:])


def _width(cell: str) -> int:
    return max(map(cell_len, cell.split("\n")))


def table(
    heads: Sequence[str], rows: Iterable[Sequence[object]], left: Sequence[int] = (0,)
) -> RenderableType:
    """A plain table; columns are right-aligned but for those in `left`.

    Cells are shown as text: markup in them has no meaning, control characters are replaced. Where
    the terminal is too narrow, the first cell of each row has a line of its own.
    """
    columns = [[Text(head)] for head in heads]
    for row in rows:
        for column, cell in zip(columns, row, strict=True):
            column.append(cell if isinstance(cell, Text) else plain(cell))
    return _Table(columns, left)


class _Console(Console):
    """A console that leaves it to the caller what a reader who has gone away means."""

    def on_broken_pipe(self) -> None:
        """Raise what the write raised, instead of leaving the program with exit code 1."""
        raise BrokenPipeError


def console(file: IO[str] | None = None) -> Console:
    """The console for text output, at least 80 columns wide when it is not a terminal."""
    stream = sys.stdout if file is None else file
    made = _Console(file=stream, highlight=False, markup=False, emoji=False, soft_wrap=False)
    return made if made.is_terminal else _piped(stream)


def _piped(stream: IO[str]) -> Console:
    return _Console(
        file=stream, highlight=False, markup=False, emoji=False, width=_PIPED, no_color=True
    )


@cache
def _page() -> Console:
    """What parts are drawn on for a pipe, each by itself."""
    return _piped(io.StringIO())


class Drawn:
    """A part of the output that is drawn once for a pipe, to count its lines and to print it."""

    def __init__(self, part: RenderableType) -> None:
        self.part = part

    @cached_property
    def text(self) -> str:
        """What goes into a file or a pipe: lines that end with their text, nothing pads them."""
        with _page().capture() as printed:
            _print(_page(), self.part)
        return "\n".join(line.rstrip(" ") for line in printed.get().split("\n"))

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """The part itself."""
        yield self.part


def _print(out: Console, part: RenderableType) -> None:
    """Print a part; a line that must stay one is not folded."""
    out.print(part, soft_wrap=getattr(part, "no_wrap", None) is True)


def show(parts: Iterable[RenderableType], file: IO[str] | None = None) -> None:
    """Print parts one under the other; what the terminal cannot encode is shown as ``?``."""
    stream = sys.stdout if file is None else file
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")
    out = console(stream)
    for part in parts:
        drawn = part if isinstance(part, Drawn) else Drawn(part)
        if out.is_terminal:
            _print(out, drawn.part)
        else:
            stream.write(drawn.text)
