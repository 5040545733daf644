"""What a log of lines is, and its rows: the door of this wing."""

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import takewhile

from looptime.errors import LogError, UsageError
from looptime.parsers.columns.evidence import clocklike
from looptime.parsers.columns.headers import heads
from looptime.parsers.columns.lexicon import of_an_instant
from looptime.parsers.layouts import calls, edges
from looptime.parsers.layouts.contract import Options
from looptime.parsers.lines.begun_at import read_begun
from looptime.parsers.lines.by_place import parted_by_place
from looptime.parsers.lines.cell_rows import (
    header_lines,
    join_seconds,
    plain_cells,
    table_grid,
    two_columns,
    undrawn,
)
from looptime.parsers.lines.column_names import (
    LOOP_NUMBER,
    in_own_units,
    is_table,
    name_clock,
    name_loops,
    name_stamps,
)
from looptime.parsers.lines.documents import may_be_tabled, tabled
from looptime.parsers.lines.event_calls import calls_of
from looptime.parsers.lines.event_tables import event_table, names_clock, timed_calls
from looptime.parsers.lines.events import find_events, read_events
from looptime.parsers.lines.fold import entries_of, fold, repeats
from looptime.parsers.lines.grid import DELIMITER, Entry, Grid, is_stamp, is_text, mostly_numbers
from looptime.parsers.lines.holders import by_holders
from looptime.parsers.lines.indented import name_by_indent, units_of_titles
from looptime.parsers.lines.keyed import STAMP, read_keyed
from looptime.parsers.lines.lock_words import lock_calls
from looptime.parsers.lines.long import check_order, find_long, long_entries
from looptime.parsers.lines.monitor import HOST, HOSTED, split_host, split_tag, without_sender
from looptime.parsers.lines.name_by_name import name_by_name
from looptime.parsers.lines.objects import name_by_calls, read_objects, unrolled
from looptime.parsers.lines.other_times import in_counts, other_times
from looptime.parsers.lines.pairs import read_pairs
from looptime.parsers.lines.pins import calls_of_pins
from looptime.parsers.lines.several_loops import leave_out_others, told_by_tags
from looptime.parsers.lines.since_before import since_before
from looptime.parsers.lines.span_ids import by_span_ids, name_ends
from looptime.parsers.lines.spread import is_printed, spread_objects
from looptime.parsers.lines.tags import (
    apart,
    calls_by_thread,
    cross,
    lengths_by_thread,
    loops_each,
    of_the_loop,
    tags_of,
)
from looptime.parsers.lines.told_waits import told_waits
from looptime.parsers.lines.twice import once
from looptime.parsers.lines.unit_column import in_said_unit
from looptime.parsers.text.dialect import Dialect, lines_of, named
from looptime.parsers.text.prose import is_written
from looptime.parsers.text.sniff import sniff, stated_unit
from looptime.parsers.text.source import HOLE, Source, blocks
from looptime.records import dataclass
from looptime.units import split_unit

__all__ = ["Plain", "plain_rows"]

#: Lines looked at to tell whether a log is one of lines.
_FIRST_LINES = 250
#: Lines from which it is told how they hang together.
_LOOKED_AT = 4000
#: What sets a terminal's colours and place.
_COLOURS = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
_HOLE = HOLE.decode()
#: Columns of instants that this wing makes.
_CLOCK = (STAMP, "start", "end")
#: What joins words in the keys of a document, and sets its texts off.
_JOINED = re.compile(r"[_\"']|(?<=[a-z])(?=[A-Z])")
_LETTERS = re.compile(r"[A-DF-Za-df-z{]")


@dataclass(frozen=True)
class Plain:
    """A log brought to rows: its source, how that is written, and how it is to be read on.

    `layout` is ``values``, or None where the rows were a table behind a host's stamps.
    """

    source: Source
    dialect: Dialect
    layout: str | None
    options: Options


def plain_rows(source: Source, text: str, options: Options) -> Plain | None:
    """The rows of a log that is no table of loops or calls; None where it is one as it stands.

    Parameters
    ----------
    source : Source
        The log.
    text : str
        Its first lines.
    options : Options
        ``layout`` ``values`` asks for this; with ``columns`` the log is taken as a table.

    Raises
    ------
    LogError
        If ``values`` is asked for and the lines hold no values with names.
    """
    asked = options.layout == "values"
    lines = [_COLOURS.sub("", line.lstrip("\ufeff")) for line in lines_of(text, _FIRST_LINES)]
    first = _every_line(source) if may_be_tabled(lines) else unrolled(lines)
    if first is lines and not asked and options.columns is None and is_written(text):
        return None
    if options.layout is None and options.columns is None and not options.stated:
        like = _written(first, source.path)()
        grid = None if like is None else name_by_name(like, lambda: _every_line(source))
        if grid is not None:
            rewritten, dialect = grid.rewritten()
            return Plain(replace(source, rewritten=rewritten), dialect, "values", options)
        grid, said = calls_of_pins(
            first, lambda: _every_line(source), like,
            lambda: like is not None and _told(_says_sides, like),
            lambda: like is not None and _told(_fits_table, like),
        )  # fmt: skip
        source.cautions.extend([said] if said else [])
        if grid is not None:
            source.cautions.extend(grid.notes)
            rewritten, dialect = grid.rewritten()
            return Plain(replace(source, rewritten=rewritten), dialect, None, options)
        for told, layout in ((by_span_ids, None), (since_before, "values")):
            if (grid := told(first, lambda: _every_line(source))) is not None:
                rewritten, dialect = grid.rewritten()
                return Plain(replace(source, rewritten=rewritten), dialect, layout, options)
    names, unit = None if asked else options.columns, options.unit
    if not (asked or options.stated) and other_times(first, source.path, names, unit) is not None:
        table = other_times(_every_line(source), source.path, names, unit)
        if table is not None:
            source.cautions.extend(table.said)
            rewritten, dialect = table.grid.rewritten()
            options = replace(options, stated=table.stated, columns=None)
            return Plain(replace(source, rewritten=rewritten), dialect, None, options)
    if names is not None and is_table(text, source.path, names):
        return None
    if is_printed(first) and spread_objects(_every_line(source)) is None:
        raise LogError(
            "is one JSON document that holds no list of loops or calls: write each as an object "
            'of a list or on a line, such as {"time_ms": 812, "imu_ms": 2.5}',
            source.path,
        )
    first = without_sender(first)
    made = _grid(once(first)[0], source, options)
    if made is None:
        if asked:
            raise LogError(
                "holds no lines that name their values: write them as `812 imu_ms=9`, one JSON "
                "object a line, or a table with time, key and value",
                source.path,
            )
        return None
    every = _every_line(source)
    holes = [at for at, line in enumerate(every) if _HOLE in line]
    for at in holes:
        every[at] = ""
    lines, again = once(without_sender(every))
    found = _grid(lines, source, options) if len(lines) > len(first) or holes else made
    if found is None:
        return None
    grid, layout, note = found
    grid.units = _stated(grid, lines)
    grid.aside += [(at, "duplicate row") for at in again]
    grid.aside += [(at, "wrong number of fields") for at in holes]  # loops around it are not whole
    rewritten, dialect = grid.rewritten()
    if names is not None:
        dialect = named(dialect, in_own_units(names, grid), source.path)
        options = replace(options, columns=None)
    source.cautions.extend([one for one in (note, *grid.notes, grid.room()) if one])
    options = replace(options, layout=None) if asked else options
    return Plain(replace(source, rewritten=rewritten), dialect, layout, options)


def _stated(grid: Grid, lines: list[str]) -> list[str | None]:
    """Units of the columns: of the clock that which a line above the rows states, if none else.

    A remark that speaks of all columns is heard where the names are read.
    """
    rows = zip(range(len(lines)), grid.rows, strict=False)
    above = [at for at, _ in takewhile(lambda one: one[1] is None, rows)]
    of_rows = {line for line, _ in grid.folded if line < len(above)}
    unit, _ = stated_unit([_in_words(lines[at]) for at in above if at not in of_rows])
    return [
        unit
        if (name in _CLOCK or is_stamp(name) or of_an_instant(name)) and known is None
        else known
        for name, known in zip(grid.names, grid.units, strict=True)
    ]


def _in_words(line: str) -> str:
    """What a line of a document's head says, as a remark would.

    Examples
    --------
    >>> _in_words('"time_unit": "us",'), _in_words('<run timeUnit="ms">')
    (' time unit :  us ,', '<run time Unit= ms >')
    """
    return _JOINED.sub(" ", line)


def _every_line(source: Source) -> list[str]:
    """The lines of a log, or of the rows in the document that it is."""
    data = b"".join(bytes(block.data) for block in blocks(source))
    text = _COLOURS.sub("", data.decode("utf-8", "replace"))
    lines = [line.rstrip("\r") for line in text.split("\n")]
    lines[0] = lines[0].lstrip("\ufeff")
    lines = lines[:-1] if lines and not lines[-1] else lines
    return (tabled("\n".join(lines)) if may_be_tabled(lines) else None) or unrolled(lines)


_Found = tuple[Grid, str | None, str]


def _grid(lines: list[str], source: Source, options: Options) -> _Found | None:
    """The rows of lines, the layout's name, and a note."""
    sample = [line for line in lines[:_FIRST_LINES] if is_text(line)]
    if len(sample) < 2:
        return None
    told = lock_calls(lines) or told_waits(lines)
    if told is not None:
        return told, "values", ""
    ruled = parted_by_place(undrawn(lines))
    written = _written(ruled, source.path)
    if ruled is not lines and (like := written()) is not None:
        return table_grid(ruled, like), None, ""
    pair = two_columns(lines, written)
    if pair is not None:
        return pair, None, ""
    wordy = sum(bool(_LETTERS.search(line)) for line in sample) > 0.25 * len(sample)
    hosted = split_host(lines) or split_tag(lines)
    if hosted is not None:
        found = _behind_host(*hosted, source, options)
        if found is not None:
            return found
    if not wordy:
        return None
    held = None if (like := written()) is None else by_holders(lines, like)
    if held is not None:
        return held, None, "rows of who has a lock, and of nobody, are read as events of that lock"
    found = _said(lines) or _tabled(lines, written, options)
    return _of_one_thread(lines, found, source, options) or found


def _of_one_thread(
    lines: list[str], found: _Found | None, source: Source, options: Options
) -> _Found | None:
    """The loop's own lines of a log of several threads, where they cannot be read together."""
    if tags_of(lines[:_FIRST_LINES]) is None or (tags := tags_of(lines)) is None:
        return None
    several, own = loops_each(lines, tags), of_the_loop(lines, tags)
    if found is not None and not several and told_by_tags(found[0], tags):
        return found
    every = None
    if not several:
        every = calls_by_thread(lines, tags, own) or lengths_by_thread(lines, tags)
    if every is not None:
        return every, "values", ""
    if found is not None and not several and not cross(read_events(lines) or [], tags):
        return None
    mine = apart(lines, tags, own)
    one = _said(mine) or _tabled(mine, _written(mine, source.path), options)
    if one is None:
        return None
    grid, layout, note = one
    others = [at for at, tag in enumerate(tags) if tag not in ("", own)]
    grid.aside += [(at, "other thread") for at in others]
    named = ", ".join(list(dict.fromkeys(tags[at] for at in others))[:3])
    said = (
        f"{len(others):,} lines of other threads ({named}) are set aside: those of {own!r} hold "
        "the loop; to see all threads, log calls with a column thread"
    )
    return grid, layout, f"{note}; {said}" if note else said


_Written = Callable[[], Dialect | None]


def _written(lines: list[str], path: str) -> _Written:
    """How lines are written, told once and only when somebody asks; None if they are no table."""

    @cache
    def written() -> Dialect | None:
        try:
            return sniff("\n".join(lines[:2000]), path)
        except (LogError, UsageError):
            return None

    return written


def _said(lines: list[str]) -> _Found | None:
    """Rows of lines that say themselves what their values are."""
    grid = read_objects(lines)
    if grid is not None:
        name_ends(grid)
        name_by_calls(grid)
        grid.notes += [said] if (said := in_said_unit(grid)) else []
        return _narrowed(grid, lines)
    if (grid := read_begun(lines)) is not None:
        return grid, "values", ""
    grid = read_pairs(lines) or read_keyed(lines)
    if grid is not None:
        name_ends(grid)
        name_stamps(grid)
        in_counts(grid, lines)
        units_of_titles(grid)
        grid.notes += [said] if (said := in_said_unit(grid)) else []
        name_by_indent(grid)
        return _narrowed(grid, lines)
    return None


def _narrowed(grid: Grid, lines: list[str]) -> _Found | None:
    """One row a loop: the grid as it is, or folded where its lines hold a value each."""
    name_clock(grid)
    name_loops(grid)
    join_seconds(grid)
    if all(is_stamp(name) or not name for name in grid.names):
        return None
    found = grid.found()
    rows = [_padded(grid.rows[at], len(grid.names)) for at in found[:2000]]
    like = Dialect(DELIMITER, ".", tuple(grid.header()), 0, len(grid.names), 1,
                   sample=tuple(map(tuple, rows)))  # fmt: skip
    if _fits_table(like):
        return grid, "values", ""
    table = find_long(grid.names, rows)
    if table is not None:
        cells = [None if row is None else _padded(row, len(grid.names)) for row in grid.rows]
        named, entries, stamp = long_entries(lines, cells, table, grid.header())
        made = fold(named, entries, stamp)
        return None if made is None else (made, "values", "")
    words = [at for at in range(len(grid.names)) if not mostly_numbers(grid.cells(at)[:400])]
    times = [at for at in range(len(grid.names)) if is_stamp(grid.names[at])]
    if len(words) == 1 and len(times) == 1 and len(grid.names) == 2:
        events = find_events(
            grid.cells(times[0]), [(word,) for word in grid.cells(words[0])], found
        )
        if any(e.side is not None for e in events):
            return calls_of(lines, events), "values", ""
    common = {at for at, name in enumerate(grid.names)
              if is_stamp(name) or at in words or name == f"{STAMP} 2"
              or (split_unit(name)[0].lower() in LOOP_NUMBER
              and grid.units[at] is None and split_unit(name)[1] is None)}  # fmt: skip
    leave_out_others(grid, entries_of(grid), common, times[0] if times else None)
    first = entries_of(grid, _LOOKED_AT)
    if repeats(first, common):
        return _without_strays(grid, first, common), "values", ""
    made = fold(grid, entries_of(grid), times[0] if times else None)
    return None if made is None else (made, "values", "")


def _without_strays(grid: Grid, first: list[Entry], common: set[int]) -> Grid:
    """The rows that hold one of the values that most rows hold; other lines are text."""
    uses = Counter(at for _, values in first for at in values if at not in common)
    often = [at for at, count in uses.items() if count >= 0.5 * max(uses.values())]
    for line, row in enumerate(grid.rows):
        if row is not None and not any(at < len(row) and row[at] for at in often):
            grid.rows[line] = None
    return grid


def _padded(row: list[str] | None, width: int) -> list[str]:
    row = row or []
    return row if len(row) == width else [*row, *[""] * (width - len(row))]


def _behind_host(
    stamps: list[str], rest: list[str], source: Source, options: Options
) -> _Found | None:
    """Rows behind a host's stamps: their own clock is the log's, where they have one."""
    found = _said(rest)
    layout: str | None = "values"
    if found is not None:
        grid = found[0]
    else:
        written = _written(rest, source.path)
        tabled = _tabled(rest, written, options)
        if tabled is not None:
            return tabled[0], "values", HOSTED
        like = written()
        if like is None:
            return None
        grid = table_grid(rest, like)
        layout = None
    _, dialect = grid.rewritten()
    own = any(clocklike(dialect, at) for at in range(len(grid.names)))
    name = HOST if own else STAMP
    if name in grid.names:
        return found
    at = grid.column(name)
    for line, row in enumerate(grid.rows):
        if row is not None:
            row.extend([""] * (at + 1 - len(row)))
            row[at] = stamps[line]
    if not own and layout is None:  # bare numbers behind a stamp
        grid.names[:at] = [n or f"column_{k + 1}" for k, n in enumerate(grid.names[:at])]
    return grid, layout, HOSTED if own else ""


def _tabled(lines: list[str], written: _Written, options: Options) -> _Found | None:
    """One loop a row from a long table, or calls from a table of events."""
    if options.layout not in (None, "values"):
        return None
    like = written()
    if like is None or not names_clock(like):
        events = read_events(lines)
        if events is not None and any(e.side is not None for e in events):
            return timed_calls(lines, events, options), "values", ""
    if like is None:
        return None
    found = _long(lines, like)
    if found is None and (grid := event_table(lines, like, options)) is not None:
        found = grid, "values", ""
    return found


def _long(lines: list[str], like: Dialect) -> _Found | None:
    if like.header and _fits_table(like):
        return None
    table = find_long(like.header, like.sample, like.decimal)
    if table is None:
        check_order(like.header, like.sample, like.decimal)
        return None
    cells = [plain_cells(line, like, at) for at, line in enumerate(lines, 1)]
    named, entries, stamp = long_entries(lines, cells, table, like.header)
    named.headers |= header_lines(lines, like)
    made = fold(named, entries, stamp)
    return None if made is None else (made, "values", "")


def _told(fits: Callable[[Dialect], bool], like: Dialect) -> bool:
    """Whether a table fits; one that is refused does not."""
    try:
        return fits(like)
    except LogError:
        return False


def _says_sides(like: Dialect) -> bool:
    """Whether the words of a table, or its header, say what begins and what ends."""
    given = edges.LAYOUT.fit(heads(like.header or ()), like, False)
    return given is not None and "edge" in given.one and "edge" not in given.told


def _fits_table(like: Dialect) -> bool:
    """Whether a table of calls, or of begins and ends, has this header."""
    found = heads(like.header or ())
    given = edges.LAYOUT.fit(found, like, False)
    sided = given is not None and "edge" in given.one
    return sided or calls.LAYOUT.fit(found, like, False) is not None
