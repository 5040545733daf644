"""What a command says, in the order in which it is read: the answer first, bookkeeping last."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from rich.console import RenderableType
from rich.text import Text

from looptime.records import dataclass
from looptime.views.text.terminal import Drawn, command_line, heading_line, safe
from looptime.views.text.text_parts import hanging, indented

__all__ = ["SCREEN", "OneOf", "Told", "why"]

#: Lines of a screen, which what is printed without --full does not exceed.
SCREEN = 40
#: What stands before a command to paste.
_STEP = "> "
#: Longest answer, in letters.
_ANSWER = 400


@dataclass(frozen=True)
class OneOf:
    """A part in several forms, the longest first: the longest that fits is shown.

    Room is kept for the shortest, whatever stands before it.
    """

    forms: tuple[Callable[[], Sequence[RenderableType]], ...]


@dataclass(frozen=True)
class Told:
    """One command's text in its blocks."""

    answer: str  #: One sentence that answers the question; what limits the answer belongs to it
    #: Up to three lines of why and what next, a command to paste among them.
    why: tuple[RenderableType, ...] = ()
    #: The parts that carry the answer, most telling first, each with its heading. Those that do not
    #: fit on the screen are shown with --full.
    tables: tuple[tuple[RenderableType, ...] | OneOf, ...] = ()
    more: tuple[RenderableType, ...] = ()  #: The rest, shown with --full
    books: tuple[RenderableType, ...] = ()  #: Bookkeeping: rows, clock, how loops were found
    asked: tuple[
        RenderableType, ...
    ] = ()  #: Asked for by an option: shown before the tables, always

    def without(self, own: Callable[[str], bool]) -> Told:
        """The same without the command lines that `own` says are what was asked just now."""
        why, more, asked = (
            tuple(_others(partial(tuple, at), own)) for at in (self.why, self.more, self.asked)
        )
        tables = tuple(
            OneOf(tuple(partial(_others, form, own) for form in table.forms))
            if isinstance(table, OneOf) else tuple(_others(partial(tuple, table), own))
            for table in self.tables
        )  # fmt: skip
        return replace(self, why=why, more=more, asked=asked, tables=tables)

    def parts(self, full: bool = False, quiet: bool = False) -> Iterator[RenderableType]:
        """What is printed, in order: with `full` all of it, with `quiet` the answer alone."""
        answer, rest = _cut(safe(self.answer, math.inf))
        more = [hanging("  ", rest)] if rest else []
        first = [Drawn(Text(answer, style="bold")), *_drawn(more)]
        yield from first
        if quiet:
            return
        before = _drawn([*self.why, *self.asked])
        yield from before
        books = _drawn([heading_line("What this rests on"), *self.books] if self.books else [])
        left = math.inf if full else SCREEN - _lines([*first, *before, *books]) - 1
        shown, whole = self._that_fit(left)
        yield from shown
        if full:
            yield from self.more
        yield from books
        if not full and (self.more or not whole):
            yield indented(Text("--full shows the rest"))

    def _that_fit(self, left: float) -> tuple[list[Drawn], bool]:
        """What of the tables there is room for in so many lines, and whether that is all."""
        shown: list[Drawn] = []
        whole = True
        least = [_drawn(table.forms[-1]()) if isinstance(table, OneOf) and left < math.inf else []
                 for table in self.tables]  # fmt: skip
        left -= sum(map(_lines, least))
        for table, shortest in zip(self.tables, least, strict=True):
            left += _lines(shortest)
            parts = (form() for form in table.forms) if isinstance(table, OneOf) else (table,)
            for part in parts:
                block = _drawn(part)
                if _lines(block) <= left:
                    left -= _lines(block)
                    shown += block
                    break
                whole = False
        return shown, whole

    def __iter__(self) -> Iterator[RenderableType]:
        return self.parts()

    def with_books(self, *first: RenderableType) -> Told:
        """The same with more bookkeeping before its own."""
        return replace(self, books=(*first, *self.books))


def why(text: str, command: str = "") -> tuple[RenderableType, ...]:
    """A line of reason, and the command that looks closer or does something about it."""
    parts: list[RenderableType] = [hanging("  ", text)] if text else []
    if command:
        parts.append(command_line(f"  > {command}"))
    return tuple(parts)


def _cut(answer: str) -> tuple[str, str]:
    """What stands first of an answer, whole clauses of it, and what does not fit there.

    Examples
    --------
    >>> first, rest = _cut("It is slow; " + 80 * "why " + "; " + 60 * "so ")
    >>> len(first), rest[:9]
    (333, 'so so so ')
    """
    if len(answer) <= _ANSWER:
        return answer, ""
    ends = [answer.rfind(end, 0, _ANSWER) for end in ("; ", ". ")]
    at = max(ends) + 1 or answer.rfind(" ", 0, _ANSWER) + 1 or _ANSWER
    return answer[:at].rstrip(), answer[at:].lstrip()


def _others(
    form: Callable[[], Sequence[RenderableType]], own: Callable[[str], bool]
) -> Sequence[RenderableType]:
    return [part for part in form() if not _is_own(part, own)]


def _is_own(part: RenderableType, own: Callable[[str], bool]) -> bool:
    """Whether a part is a command line that names what was asked just now."""
    text = part.plain.strip() if isinstance(part, Text) and part.no_wrap else ""
    return text.startswith(_STEP) and own(text.removeprefix(_STEP))


def _drawn(parts: Sequence[RenderableType]) -> list[Drawn]:
    return [Drawn(part) for part in parts]


def _lines(parts: Sequence[Drawn]) -> int:
    """Lines that parts take where the terminal is wide."""
    return sum(part.text.count("\n") for part in parts)
