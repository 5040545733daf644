"""The runs of a log as they stand in its file."""

import os
import re
from dataclasses import replace
from itertools import takewhile

import numpy as np
from numpy.typing import NDArray

from looptime.array_types import Bool
from looptime.errors import LogError, UsageError
from looptime.parsers.assemble.holes import holes, lacking, leaps, numbered, short_lengths
from looptime.parsers.assemble.run_of_calls import assemble, with_lost
from looptime.parsers.columns.evidence import are_units, clocklike
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.second_clock import names_clock
from looptime.parsers.layouts import calls
from looptime.parsers.layouts.contract import Parsed
from looptime.parsers.layouts.doubtful import misplaced
from looptime.parsers.layouts.own_threads import refuse_alike
from looptime.parsers.layouts.skeleton import parse
from looptime.parsers.lines.groups import by_group, refuse_mixed, refuse_shared
from looptime.parsers.options import Options
from looptime.parsers.registry import check_name, choose
from looptime.parsers.repair.clock_repair import check_unit, settle
from looptime.parsers.text.dialect import LONGEST_REMARK, Dialect, lines_of, numbers
from looptime.parsers.text.sniff import sniff
from looptime.parsers.text.source import Progress, Source, head, open_source
from looptime.run import Run
from looptime.stated_columns import matching
from looptime.stats.arrays import median
from looptime.units import UNIT_WORD

__all__ = ["fresh", "opened"]

#: Layouts of which rows of several senders make no sense together.
_ROW_A_LOOP = ("costs", "stamps", "stages")
#: What tells of a counter in a line above the header.
_OF_COUNTS = re.compile(r"\d\s*[gmk]?hz\b|hz\s*[:=]|tick|cycle|count", re.IGNORECASE)
#: What thousands that are set off look like: a number that goes on after three digits, or a mark
#: that is no decimal one, or a cell of three digits.
_SET_OFF = re.compile(
    r"(?<![\d.])\d{1,3}(?:([.,])\d{3}\1\d{3}|['’\xa0\u202f _]\d{3})(?!\d)|^\d{3}[;\t|]",
    re.MULTILINE,
)
#: What a row begins with behind a logger's tag or stamp.
_TAGGED = re.compile(r"[^\W\d_].*[:>\])|;-]|^[\[(]?\d[\d/. T-]*:")
#: Letters looked at for a tag: rows may be of any length.
_LONGEST_TAG = 400
_BEFORE_UNIT = re.compile(r"\d,\d{3}(?:\.\d+)?\s?[num\xb5\u03bcs]")
#: A word for what holds of some alone, as where a log says that it holds slow loops only.
_ONLY = re.compile(
    r"\b(?:only|just|nur|seulement|uniquement|sol[oa]\w*|s[o\xf3](?:lo)?|apenas|alleen)\b",
    re.IGNORECASE,
)
#: A log of more runs than this has no clock where one was looked for.
MOST_RUNS = 1000


def fresh(
    path: str | os.PathLike[str], options: Options, progress: Progress | None
) -> tuple[Run, ...]:
    """The runs of a log as they stand in the file, without the project's labels."""
    source = replace(open_source(path), progress=progress)
    text = head(source).decode("utf-8", "replace")
    try:
        return _read(source, text, options)
    except LogError as error:
        from looptime.parsers.text.prose import is_code, is_written

        if is_written(text):
            check_name(source.path)
            raise LogError(
                f"is prose and no log: it holds sentences and no rows of times{_within(source)}. "
                "Read are tables of "
                "times, and lines that name their values, such as `812 imu_ms=9`",
                source.path,
            ) from error
        if is_code(text):
            raise LogError(
                "is no log but source code: name the CSV file that the robot wrote", source.path
            ) from error
        raise error if error.path else LogError(error.what, source.path, error.line) from error


def _within(source: Source) -> str:
    """How far rows were looked for, where that is not all of a log."""
    from looptime.parsers.text.late_rows import LOOKED_AT

    if source.size <= LOOKED_AT:
        return ""
    return f" in its first {LOOKED_AT >> 20} MB (rows further on: cut off what stands before them)"


def opened(
    source: Source, text: str, options: Options
) -> tuple[Source, Dialect, Options, str | None]:
    """A log brought to rows: its text, how it is written and read, the name of its layout.

    Raises
    ------
    LogError
        If it cannot be told how it is written.
    """
    if _BEFORE_UNIT.search(text) or (_may_be_set_off(text) and _SET_OFF.search(text)):
        from looptime.parsers.text.thousands import joined

        source, text = joined(source, text)
    if _may_be_tagged(text):
        from looptime.parsers.lines.monitor import without_tag

        source, text = without_tag(source, text)
    table = _table(source, text, options)
    plain = None
    if table is None or not _of_calls(table, options) or _otherwise(table, text):
        from looptime.parsers.lines.plain import plain_rows

        plain = plain_rows(source, text, options)
    if plain is None:
        if _may_be_prose(text) and not _fits(table, options, source.path):
            from looptime.parsers.text.late_rows import from_late_rows  # few logs begin with prose

            late = from_late_rows(source, text)
            if late is not None:
                return opened(*late, options)
        if options.layout is None and options.columns is None:
            check_name(source.path, text)
        dialect = table or sniff(text, source.path, options.columns)
    else:
        source, dialect, options = plain.source, plain.dialect, plain.options
    source.cautions.extend(misplaced(table) if table is not None else ())
    if options.columns is None:
        if dialect.header is None and dialect.first_row > 1 and source.rewritten is None:
            from looptime.parsers.columns.kind_legend import named_by_kind  # few logs are so

            count = dialect.first_row - 1
            dialect = named_by_kind(dialect, lines_of(text, count)[:count])
        dialect = _in_stated_units(source, dialect, text, table)
        if options.layout is None and _ONLY.search(text[:LONGEST_REMARK]):
            from looptime.parsers.columns.said_late import refuse_said_late  # few logs say so

            refuse_said_late(dialect, lines_of(text, dialect.first_row)[: dialect.first_row - 1],
                             source.path)  # fmt: skip
    dialect = _with_index(dialect)
    stated = matching(options.stated, dialect.header, dialect.fields, source.path)
    dialect = replace(dialect, unit=options.unit, rate_hz=options.rate_hz, stated=stated)
    if stated is not None:
        if dialect.header is None:
            from looptime.parsers.columns.stated_fits import refuse_unfit  # few logs have none

            refuse_unfit(stated, dialect, source.path)
        options = replace(options, stamped=options.stamped or stated.stamped)
    name = plain.layout if plain is not None else None
    return source, dialect, options, name


def _in_stated_units(source: Source, dialect: Dialect, text: str, table: Dialect | None) -> Dialect:
    """The columns in the units that lines above the rows, but for the header, state of them.

    A log that was rewritten keeps the names of the table that it was.
    """
    not_said = {dialect.header_line, dialect.units_line, dialect.groups_line}
    names = (table.header or ()) if table is not None and source.rewritten is not None else ()
    if table is not None and 2 * len({*names} & {*(dialect.header or ())}) > len(names):
        not_said |= {table.header_line, table.units_line}
    if source.rewritten is not None:
        not_said |= set((source.rewritten.line + 1).tolist())  # those of the first row
    count = max(dialect.first_row - 1, 0)
    every = [line for at, line in enumerate(lines_of(text, count)[:count], 1) if at not in not_said]
    above = [line for line in every if UNIT_WORD.search(line[:LONGEST_REMARK])]
    if not above:
        return dialect
    from looptime.parsers.columns.stated_units import in_stated_units  # most logs state none

    return in_stated_units(dialect, above, every, source.cautions)


def _with_index(dialect: Dialect) -> Dialect:
    """A table whose first column has no name, as the index of a frame, but goes on as a clock.

    Whole numbers in equal steps may as well be those of every so many-th loop.
    """
    names = dialect.header
    if not names or names[0] or any(map(names_clock, heads(names))) or not clocklike(dialect, 0):
        return dialect
    step = np.diff(numbers(dialect, 0))
    if len(step) and (step % 1 == 0).all() and (step == step[0]).all():
        return dialect
    return replace(dialect, header=("time", *names[1:]))


def _may_be_tagged(text: str) -> bool:
    r"""Whether rows begin alike as behind a logger's tag, or with a time of day, by two of them.

    Examples
    --------
    >>> rows = "".join(f"INFO cart: {20 * k},{k % 3}\n" for k in range(9))
    >>> _may_be_tagged(rows), _may_be_tagged(rows.replace("INFO cart: ", ""))
    (True, False)
    """
    rows = text.split("\n")
    pairs = zip(rows[len(rows) // 2], rows[len(rows) * 3 // 4], strict=False)
    alike = "".join(one for one, _ in takewhile(lambda pair: pair[0] == pair[1], pairs))
    return bool(_TAGGED.search(alike[:_LONGEST_TAG]))


def _may_be_prose(text: str) -> bool:
    r"""Whether lines begin with a word and have several, all the way that tells what a log is.

    Examples
    --------
    >>> _may_be_prose("bench two reached, arm free\n" * 500), _may_be_prose("imu,812\n" * 500)
    (True, False)
    """
    few = text.split("\n", 400)[:400:20]
    return len(few) == 20 and sum(row[:1].isalpha() and " " in row for row in few) > 10


def _may_be_set_off(text: str) -> bool:
    """Whether any three digits stand as in `_SET_OFF`: a look at all letters at once is quicker.

    Examples
    --------
    >>> [_may_be_set_off(text) for text in ("0,1.234.567", "0,1 234", "123;4", "0,1.234,567")]
    [True, True, True, False]
    """
    if not text.isascii():
        return True
    letter = np.frombuffer(f"\n\n{text}\n\n\n\n\n\n\n".encode(), np.uint8)
    digit = letter - np.uint8(ord("0")) < 10
    three = digit[:-2] & digit[1:-1] & digit[2:]
    at = np.flatnonzero(three[2:-5] & ~digit[1:-8]) + 2
    before, behind = letter[at - 1], letter[at + 3]
    once = digit[at - 2] & ~digit[at + 3] & _among(before, "' _")
    twice = (before == behind) & three[at + 4] & _among(before, ".,")
    first = (before == ord("\n")) & _among(behind, ";\t|")
    return bool((once | twice | first).any())


def _among(letter: NDArray[np.uint8], few: str) -> Bool:
    found: Bool = letter == ord(few[0])
    for one in few[1:]:
        found |= letter == ord(one)
    return found


def _table(source: Source, text: str, options: Options) -> Dialect | None:
    """How a log is written, as a table; None where it is none."""
    try:
        return sniff(text, source.path, options.columns)
    except (LogError, UsageError):
        return None


def _fits(table: Dialect | None, options: Options, path: str) -> bool:
    """Whether a log is a table with a layout as it stands."""
    try:
        return table is not None and bool(choose(table, options, path))
    except (LogError, UsageError):
        return False


def _of_calls(table: Dialect, options: Options) -> bool:
    """Whether a header names calls, their starts and lengths: its rows are no lines to take apart.

    Most logs are such tables, and the wing that takes lines apart takes longer to load and to look
    than a short one to read.
    """
    if table.header is None or options.layout not in (None, calls.LAYOUT.name):
        return False
    found = [head for head in heads(table.header) if head.index < table.fields]
    return calls.by_header(found)[1] and calls.fit(found, table) is not None


def _otherwise(table: Dialect, text: str) -> bool:
    """Whether times may be in counts or in units of their own.

    No header names a unit, and lines above tell of a rate; or a column holds units.
    """
    for at in range(table.fields if table.sample else 0):
        if are_units((table.header or [""] * table.fields)[at], {row[at] for row in table.sample}):
            return True
    if any(head.unit for head in heads(table.header or ())):
        return False
    above = "\n".join(lines_of(text, table.first_row)[: max(table.first_row - 1, 0)])
    return _OF_COUNTS.search(above) is not None


def _read(source: Source, text: str, options: Options) -> tuple[Run, ...]:
    """The runs of a log, whose first lines are at hand."""
    source, dialect, options, name = opened(source, text, options)
    if options.by is None:
        return tuple(_runs(_pieces(source, dialect, options, name), source.path, options))
    made: list[Run] = []
    for group, own, like in by_group(source, dialect, options.by):
        for run in _runs(_pieces(own, like, options, name), source.path, options):
            made.append(replace(run, meta=run.meta | {"group": group}))
    return tuple(made)


def _pieces(source: Source, dialect: Dialect, options: Options, name: str | None) -> list[Parsed]:
    """What the log's layout makes of its rows, a piece for each run; `name` is that shown."""
    layout, given = choose(dialect, options, source.path)
    if options.by is None and options.layout is None and layout.name in _ROW_A_LOOP:
        if dialect.stated is None:
            refuse_shared(dialect, source.path)
        refuse_mixed(dialect, given.first("time"), source.path, given.lengths)
    if options.by is None:
        refuse_alike(given, dialect)
    parsed = parse(layout, source, dialect, given, options)
    clock = replace(parsed.clock, notes=parsed.clock.notes + tuple(source.cautions))
    if name is not None and clock.unit_from == "header":
        clock = replace(clock, unit_from="log")
    parsed = replace(parsed, clock=clock, layout=name or parsed.layout)
    pieces = [layout.finish(piece) for piece in settle(parsed, source.path)]
    made = "" if source.rewritten is None else source.rewritten.loops_from
    return [replace(piece, loops_from=made) for piece in pieces] if made else pieces


def _runs(pieces: list[Parsed], path: str, options: Options) -> list[Run]:
    """The runs of a log; a piece that is none is booked with the run before it."""
    if len(pieces) > MOST_RUNS:
        raise LogError(
            f"its time steps back or leaps {len(pieces) - 1} times, as no clock does: name the "
            "column that holds the time with --columns",
            path,
        )
    made: list[Run] = []
    short: list[Parsed] = []
    error: LogError | None = None
    for piece in pieces:
        try:
            run = assemble(piece, path, options)
            if "looptime-recorder" not in run.meta:  # of those the unit is certain
                period = run.loop_columns.period_ns
                typical = float(median(period) or period.mean())  # most may be 0
                check_unit(run.clock, typical, path)
        except LogError as reason:
            if len(pieces) == 1:
                raise
            error = reason
            short.append(piece)
            continue
        outside = run.unattributed_ns()
        limits = run.clock.limits + short_lengths(run, outside)
        notes = run.clock.notes + holes(run, outside, numbered(piece)) + lacking(run) + leaps(run)
        made.append(replace(run, clock=replace(run.clock, limits=limits, notes=notes)))
    if error is not None and not made:
        raise error
    for piece in short:
        made[0] = with_lost(made[0], piece)
    return made
