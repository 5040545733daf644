"""The base of all text output: safe text, numbers, tables, a console that any terminal can show."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Iterable, Sequence
from functools import cache, cached_property
from typing import IO, Any

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.table import Table
from rich.text import Text

from looptime.words import count, figure, number

__all__ = [
    "Drawn", "caution", "command_line", "console", "count", "figure", "heading_line", "number",
    "plain", "safe", "show", "table",
]  # fmt: skip

# C0, C1, escape, overrides of direction, line separators: a log's text must not steer a terminal
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
_LONGEST = 60
# columns below which a table leaves some of its own out
_NARROW = 80
# columns of what is no terminal
_PIPED = 100


def safe(text: object, longest: int = _LONGEST) -> str:
    r"""Text from a log as it may be shown in a terminal: no control characters, not too long.

    Examples
    --------
    >>> safe("gyro\x1b[31m.read")
    'gyro?[31m.read'
    >>> safe("abcdefgh", longest=6)
    'abc...'
    """
    shown = _CONTROL.sub("?", str(text))
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


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


class _Table(Table):
    """A table that never folds a row: what is too wide for the terminal goes another way.

    On 80 columns and more the first cell of each row gets a line of its own; below that columns
    are left out, the last but one first, and named.
    """

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Lines of the table, or of the same cells on more lines, or of fewer columns."""
        cells = [[c.header, *c.cells] for c in self.columns]
        widths = [max(_width(cell) for cell in column) for column in cells]
        stacked = 2 + sum(widths[1:]) + 2 * len(widths[2:])
        if _across(widths) <= options.max_width:
            yield from super().__rich_console__(console, options)
        elif options.max_width < _NARROW and _across([widths[0], widths[-1]]) <= options.max_width:
            yield from self._narrowed(widths, console, options)
        elif stacked > options.max_width:
            yield from super().__rich_console__(console, options)
        else:
            yield from self._stacked(cells, widths)

    def _narrowed(
        self, widths: list[int], console: Console, options: ConsoleOptions
    ) -> RenderResult:
        """The same with as many columns left out as it takes, and which they are."""
        kept = list(range(len(widths)))
        while len(kept) > 2 and _across([widths[k] for k in kept]) > options.max_width:
            kept.pop(-2)
        made = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
        made.columns = [self.columns[k] for k in kept]
        for place, column in enumerate(made.columns):
            column._index = place
        made.rows = self.rows
        yield from made.__rich_console__(console, options)
        left = [str(self.columns[k].header) for k in range(len(widths)) if k not in kept]
        yield Text(f"left out, too narrow: {', '.join(left)}", style="dim")

    def _stacked(self, cells: list[list[Any]], widths: list[int]) -> RenderResult:
        style = "bold"
        for first, *rest in zip(*cells, strict=True):
            name = str(first).replace("\n", "")
            if name:
                yield Text(name, style=style, overflow="fold")
            padded = [
                str(cell).rjust(width) if column.justify == "right" else str(cell).ljust(width)
                for cell, width, column in zip(rest, widths[1:], self.columns[1:], strict=True)
            ]
            if any(cell.strip() for cell in padded):
                yield Text("  " + "  ".join(padded).rstrip(), style=style, no_wrap=True)
            style = ""


def _across(widths: Sequence[int]) -> int:
    """Letters that columns of these widths take beside each other."""
    return sum(widths) + 2 * len(widths[1:])


def _width(cell: object) -> int:
    return max(map(cell_len, str(cell).split("\n")))


def table(heads: Sequence[str], rows: Iterable[Sequence[Any]], left: Sequence[int] = (0,)) -> Table:
    """A plain table; columns are right-aligned but for those in `left`.

    Cells are shown as text: markup in them has no meaning, control characters are replaced. Where
    the terminal is too narrow, the first cell of each row has a line of its own.
    """
    made = _Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    for at, head in enumerate(heads):
        made.add_column(
            Text(head),
            justify="left" if at in left else "right",
            no_wrap=at not in left,
            overflow="fold",
        )
    for row in rows:
        made.add_row(*(cell if isinstance(cell, Text) else plain(cell) for cell in row))
    return made


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
    out.print(part, soft_wrap=isinstance(part, Text) and part.no_wrap is True)


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
