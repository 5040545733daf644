"""Which layout a log has: every layout says whether it fits, and one alone must."""

import re
from contextlib import suppress
from dataclasses import replace
from importlib import import_module
from itertools import permutations
from pathlib import PurePath

import numpy as np

from looptime.errors import LogError, UsageError
from looptime.parsers.columns.disorder import disordered
from looptime.parsers.columns.evidence import check_spoilt, clocklike, counts_rows, wordy
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.refusals import (
    no_fit,
    one_number,
    refuse_counts,
    unnamed,
    words_change,
)
from looptime.parsers.columns.sampled import sample_stamps
from looptime.parsers.layouts.contract import Given, Layout, Options, Reading
from looptime.parsers.lines.groups import refuse_mixed
from looptime.parsers.text.dialect import Dialect, named, numbers
from looptime.parsers.text.source import Source
from looptime.schema import TABLES

__all__ = ["check_name", "choose", "load"]

#: Endings of names that no log has, by what they are the endings of.
_NO_LOGS = {
    "source code": ".py .java .kt .c .cc .cpp .cxx .h .hh .hpp .ino .m .rs .go .js .ts .sh .bat",
    "settings": ".toml .json .yaml .yml .ini .xml .gradle",
    "a page": ".md .html .htm .css .svg",
}
#: What stands between the header and the rows of a table on a page of text.
_RULED = re.compile(r"^[ \t]*+\|?(?:[ \t]*+:?-{2,}+:?[ \t]*+\|)+", re.MULTILINE)
#: An array or an object that holds others, with numbers in them.
_ONE_DOCUMENT = re.compile(r"\s*(?:\[|\{[^{}\[\]]*:\s*[\[{]).*\d[,\]}]", re.DOTALL)
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
    if dialect.stated is not None and options.layout is None:
        words = [dialect.stated.role(index)[0] for index in range(dialect.fields)]
        options = replace(options, layout="costs" if "part" in words else "stamps")
        header = header or tuple(f"column_{index + 1}" for index in range(dialect.fields))
    if header is None:
        header = _unnamed(dialect, options, path)
    found = [head for head in heads(header) if head.index < dialect.fields]
    samples = sample_stamps(found, dialect)
    found = [head for head in found if head not in samples]

    def works(columns: str) -> str | None:
        return None if options.columns else _works(columns, dialect, path)

    if options.layout is not None:
        layout = load(options.layout)
        asked = _fit(layout, found, dialect, path, asked=True)
        if asked is None:
            raise no_fit(found, [layout.name], dialect, works, path)
        fits = [(layout, asked)]
    else:
        refuse_counts(found, dialect, path)
        fits = _fits(found, dialect, path)
        if not fits:
            raise no_fit(found, list(TABLES), dialect, works, path)
        if len(fits) > 1:
            if options.by is None:  # of two columns each would else say that the other parts rows
                lengths = {at for _, given in fits for at in given.lengths}
                refuse_mixed(dialect, fits[0][1].first("time"), path, lengths)
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


def check_name(path: str, text: str = "") -> None:
    """Refuse a file whose name says that it is no log, unless its text holds a page's table.

    Raises
    ------
    LogError
        With what it is by its ending.
    """
    ending = PurePath(path).suffix.lower()
    if ending == ".json" and _ONE_DOCUMENT.match(text) and len(text.splitlines()) < 3:
        raise LogError(
            "is one JSON document on one line: write each loop or call as an object on a line of "
            'its own, such as {"time_ms": 812, "imu_ms": 2.5}',
            path,
        )
    for what, endings in _NO_LOGS.items():
        if ending in endings.split() and not _RULED.search(text):
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
    kinds = {layout.name: given for layout, given in fits}
    if {"calls", "edges"} <= set(kinds):  # what headers say goes before what values tell
        told = "edges" if not kinds["edges"].sure else "calls"
        if "name" in kinds[told].told or not kinds[told].sure:
            beaten.add(told)
    if "sections" in kinds and "name" in kinds["sections"].told:
        beaten.add("costs")
    return [(layout, given) for layout, given in fits if layout.name not in beaten]


#: Rows by which columns without a header are told.
_ROWS_THAT_TELL = 20


def _unnamed(dialect: Dialect, options: Options, path: str) -> tuple[str, ...]:
    """Names for the columns of a log without header, where its values leave no doubt."""
    fields = dialect.fields
    if fields > 1 and dialect.sample and not any(row[-1] for row in dialect.sample):
        bare = replace(dialect, fields=fields - 1, sample=tuple(r[:-1] for r in dialect.sample))
        with suppress(LogError):  # else what is to be done is said of all cells
            return (*_unnamed(bare, options, path), "")  # each row ends in a delimiter
    words = [wordy(dialect, index) for index in range(fields)]
    if sorted(words) == [False, True] and options.layout in (None, "sections"):
        number = words.index(False)
        if not clocklike(dialect, number) or options.layout:
            return tuple("duration" if index == number else "section" for index in range(fields))
    if options.layout == "costs" and not any(words):
        return tuple(f"part_{index + 1}" for index in range(fields))
    events = [index for index in range(fields) if words[index] and words_change(dialect, index)]
    # a number of the loop may stand before the clock, if there is one only
    at = int(fields > 2 and counts_rows(numbers(dialect, 0)) and not words[1])
    clock = clocklike(dialect, at) and not words[at]
    clock = clock and not (at and any(clocklike(dialect, k) for k in range(2, fields)))
    if clock and (options.layout == "stamps" or (options.layout is None and not events)):
        leading = ("loop", "time")[1 - at :]
        return (*leading, *_by_words(dialect, words)[at + 1 :])
    if options.layout in (None, "edges") and clock and len(events) > 1:
        from looptime.parsers.layouts.lock_events import lock_names

        if (of_locks := lock_names(dialect)) is not None:
            return of_locks
    if options.layout in (None, "edges") and (of_edges := _by_edges(dialect)) is not None:
        return of_edges
    if options.layout in (None, "calls") and sum(words) == 1 and fields == 3:
        call = words.index(True)
        for start, length in permutations(k for k in range(3) if k != call):
            if _lasts_to_the_next(dialect, start, length):
                put = {start: "start", length: "duration", call: "name"}
                return tuple(put[k] for k in range(3))
    if fields == 1 and not words[0] and _periods(dialect):
        return ("dt",)
    if fields == 1 and not words[0] and options.rate_hz is None:
        raise one_number(dialect, path)
    if options.rate_hz is not None:
        return _by_words(dialect, words)
    raise unnamed(dialect, lambda columns: _works(columns, dialect, path), path)


def _by_edges(dialect: Dialect) -> tuple[str, ...] | None:
    """Names for the columns of begins and ends that their values tell; None for other logs."""
    names = [f"column_{index + 1}" for index in range(dialect.fields)]
    given = load("edges").fit(heads(tuple(names)), dialect, False)
    if given is None or not {"time", "name", "edge"} <= set(given.one):
        return None
    for part, head in given.one.items():
        names[head.index] = part
    return tuple(names)


def _works(columns: str, dialect: Dialect, path: str) -> str | None:
    """What a row would be read as with other names for the columns; None where they are refused."""
    try:
        like = named(dialect, columns, path)
        layout, given = choose(like, Options(columns=columns), path)
        layout.unit(Reading(Source(path, 0, None, "utf-8"), like, given, Options()))
    except (LogError, UsageError):
        return None
    return layout.row


def _lasts_to_the_next(dialect: Dialect, start: int, length: int) -> bool:
    """Whether one column holds instants, and the other how long each lasts, mostly to the next."""
    begin, took = numbers(dialect, start), numbers(dialect, length)
    step = np.diff(begin)
    if len(step) < _ROWS_THAT_TELL or not clocklike(dialect, start) or np.isnan(took).any():
        return False
    within = (took[:-1] >= 0) & (took[:-1] <= step)
    return bool(within.mean() >= 0.95 and took[:-1].sum() >= 0.5 * step.sum())


def _periods(dialect: Dialect) -> bool:
    """Whether the one column of a log may hold the periods of a loop."""
    values = numbers(dialect, 0)
    known = values[np.isfinite(values)]
    if counts_rows(values) or disordered(values):
        return False
    return bool((known >= 0).all()) and bool(known.any())


def _by_words(dialect: Dialect, words: list[bool]) -> tuple[str, ...]:
    """Names of columns without a header: of a number, the one word that stands before it."""
    names = [f"column_{index + 1}" for index in range(dialect.fields)]
    for at in range(1, dialect.fields):
        before = {row[at - 1].strip() for row in dialect.sample}
        if words[at - 1] and not words[at] and len(before) == 1:
            names[at] = before.pop()
    return tuple(names)
