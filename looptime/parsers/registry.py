"""Which layout a log has: every layout says whether it fits, and one alone must."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from itertools import pairwise
from pathlib import PurePath

from looptime.errors import LogError, UsageError
from looptime.parsers.columns.evidence import check_spoilt, clocklike, counts_rows, wordy
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.layouts.contract import Given, Layout, Options
from looptime.parsers.text.dialect import Dialect, numbers
from looptime.schema import TABLES

__all__ = ["check_name", "choose", "load"]

#: Endings of names that no log has, by what they are the endings of.
_NO_LOGS = {
    "source code": ".py .java .kt .c .cc .cpp .cxx .h .hh .hpp .ino .m .rs .go .js .ts .sh .bat",
    "settings": ".toml .json .yaml .yml .ini .xml .gradle",
    "a page": ".md .html .htm .css .svg",
}
_TIMES = ("time", "start", "end", "period", "instant")


def choose(dialect: Dialect, options: Options, path: str) -> tuple[Layout, Given]:
    """The layout of a log and the parts that its columns play.

    Parameters
    ----------
    dialect : Dialect
        How the log is written, with its first rows.
    options : Options
        ``layout`` decides, where it is given.
    path : str
        The log, for messages.

    Raises
    ------
    LogError
        If no layout fits, or two do, with what was tried and the option that decides.
    """
    if options.layout is not None and options.layout not in TABLES:
        raise UsageError(f"layout {options.layout!r} is not known: use one of {', '.join(TABLES)}")
    header = dialect.header
    if header is None:
        header = _unnamed(dialect, options, path)
    found = [head for head in heads(header) if head.index < dialect.fields]
    if options.layout is not None:
        layout = load(options.layout)
        asked = _fit(layout, found, dialect, path, asked=True)
        if asked is None:
            raise _no_fit(found, [layout.name], dialect, path)
        fits = [(layout, asked)]
    else:
        fits = _fits(found, dialect, path)
        if not fits:
            raise _no_fit(found, list(TABLES), dialect, path)
        if len(fits) > 1:
            one, other = (layout for layout, _ in fits[:2])
            raise LogError(
                f"fits two layouts: {one.name} ({one.row}) and {other.name} ({other.row}): "
                f"say which with --layout {one.name} or --layout {other.name}",
                path,
                dialect.header_line or None,
            )
    layout, given = fits[0]
    for part in _TIMES:
        head = given.first(part)
        if head is not None:
            check_spoilt(dialect, head, path)
    return layout, given


def check_name(path: str) -> None:
    """Refuse a file whose name says that it is no log.

    Raises
    ------
    LogError
        With what it is by its ending.
    """
    ending = PurePath(path).suffix.lower()
    for what, endings in _NO_LOGS.items():
        if ending in endings.split():
            raise LogError(
                f"is no log but {what}, as {ending} says: name the CSV file that the robot wrote "
                "(--layout or --columns reads this one all the same)",
                path,
            )


def load(layout: str) -> Layout:
    """A layout by its name; its module is loaded when it is asked for."""
    made: Layout = import_module(f"looptime.parsers.layouts.{layout}").LAYOUT
    return made


def _fit(
    layout: Layout, found: list[Head], dialect: Dialect, path: str, asked: bool = False
) -> Given | None:
    """What a layout makes of the columns; what it refuses is told with the log's name."""
    try:
        return layout.fit(found, dialect, asked)
    except LogError as error:
        raise LogError(error.what, path, error.line) from error


def _fits(found: list[Head], dialect: Dialect, path: str) -> list[tuple[Layout, Given]]:
    """Layouts that fit and that no other one includes."""
    fits: list[tuple[Layout, Given]] = []
    beaten: set[str] = set()
    for name in TABLES:
        if name in beaten:
            continue
        layout = load(name)
        given = _fit(layout, found, dialect, path)
        if given is None:
            continue
        fits.append((layout, given))
        if given.sure:
            beaten.update(layout.beats)
    return [(layout, given) for layout, given in fits if layout.name not in beaten]


def _unnamed(dialect: Dialect, options: Options, path: str) -> tuple[str, ...]:
    """Names for the columns of a log without header, where its values leave no doubt."""
    fields = dialect.fields
    words = [wordy(dialect, index) for index in range(fields)]
    if sorted(words) == [False, True] and options.layout in (None, "sections"):
        number = words.index(False)
        if not clocklike(dialect, number) or options.layout:
            return tuple("duration" if index == number else "section" for index in range(fields))
    if options.layout == "costs" and not any(words):
        return tuple(f"part_{index + 1}" for index in range(fields))
    events = [index for index in range(fields) if words[index] and _changes(dialect, index)]
    clock = clocklike(dialect, 0) and not words[0]
    if clock and (options.layout == "stamps" or (options.layout is None and not events)):
        return ("time", *(f"column_{index + 1}" for index in range(1, fields)))
    if fields == 1 and not words[0] and not counts_rows(numbers(dialect, 0)):
        return ("dt",)
    what = "counts the rows" if counts_rows(numbers(dialect, 0)) else "is no clock"
    what = f"column {what}"
    if words[0]:
        what = "column holds words"
    elif clock and events:
        what = f"column is a clock but column {events[0] + 1} holds words that come and go"
    row = dialect.delimiter.join(dialect.sample[0])[:60]
    example = ",".join(_example(dialect, words))
    raise LogError(
        f"has no header and its first {what}, so no layout fits rows such as {row!r}: "
        f'name the columns with --columns, for example "{example}"',
        path,
        dialect.first_row,
    )


def _example(dialect: Dialect, words: Sequence[bool]) -> list[str]:
    """Names for the columns that would fit such cells: a word for each, to be corrected."""
    wordy_at = [index for index, word in enumerate(words) if word]
    if not wordy_at:
        fields = len(words)
        return ["time_us", "skip", "gyro_ms", "drive_ms"][:fields] + ["skip"] * (fields - 4)
    kinds = {k: len({row[k].lower() for row in dialect.sample}) for k in wordy_at}
    few = min(wordy_at, key=lambda k: (kinds[k], -k))
    edged = len(wordy_at) > 1 and kinds[few] <= 2
    times = iter(["time_us"] if edged else ["start_us", "duration_us"])
    calls = iter(["name"])
    return [
        "edge" if edged and k == few else next(calls if word else times, "skip")
        for k, word in enumerate(words)
    ]


def _changes(dialect: Dialect, index: int) -> bool:
    """Whether words change from row to row, as names of calls do and phases do not."""
    cells = [row[index] for row in dialect.sample]
    return sum(a != b for a, b in pairwise(cells)) > 0.2 * (len(cells) - 1)


def _no_fit(found: list[Head], tried: list[str], dialect: Dialect, path: str) -> LogError:
    shown = ", ".join(repr(head.text) for head in found[:8])
    more = ", ..." if len(found) > 8 else ""
    return LogError(
        f"no layout fits: the columns {shown}{more} were tried as {', '.join(tried)}; "
        "name them with --columns (such as time_us, name, duration_us, skip)",
        path,
        dialect.header_line or 1,
    )
