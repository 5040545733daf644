"""What was understood of a log's columns: what each is taken for, why, and what would change it."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any

from looptime.errors import UsageError
from looptime.parsers.columns.dates import DATE, date_column
from looptime.parsers.columns.evidence import counts_rows
from looptime.parsers.columns.headers import Head, heads
from looptime.parsers.columns.lexicon import CLOCKS, of_a_clock
from looptime.parsers.columns.phases import in_long_stretches
from looptime.parsers.columns.rising import rounds
from looptime.parsers.columns.role import IN_NO_LIST, MAYBE
from looptime.parsers.columns.sampled import sample_stamps
from looptime.parsers.columns.signals import count_column, quantity_in, signal_columns
from looptime.parsers.fresh import opened
from looptime.parsers.layouts.calls import ENDED
from looptime.parsers.layouts.contract import Given
from looptime.parsers.read import options_of, read_log
from looptime.parsers.registry import choose
from looptime.parsers.text.datetimes import CLOCK
from looptime.parsers.text.dialect import Dialect, is_missing, numbers
from looptime.parsers.text.source import head, open_source
from looptime.records import dataclass
from looptime.run import Clock, Run
from looptime.signal_names import ANGLE_UNITS
from looptime.stated_columns import STATED_ROLES, files_like
from looptime.units import UNITS

if TYPE_CHECKING:
    from looptime.project import Project

__all__ = ["ColumnTaken", "ColumnsTaken", "columns_taken"]

#: Layouts of one row a loop: what is stated in the project file decides there.
_ROW_A_LOOP = ("costs", "stamps")
_WORDS = {"time": "clock", "total": "whole", "loop": "loop number"}


@dataclass(frozen=True)
class ColumnTaken:
    """One column."""

    index: int  #: Place in the row, from 0
    name: str  #: Its header; empty where it has none
    sample: str  #: Its first cell that holds something
    taken_as: str  #: What it is taken for: a role, or the part it plays in the layout
    unit: str | None = None
    unit_from: str = ""  #: ``header``, ``line above the rows``, ``log``, ``project`` or the reason
    why: str = ""
    sure: str = "sure"  #: ``sure``, ``likely`` or ``unsure``
    instead: tuple[str, ...] = ()  #: Words that the project file may state in its place


@dataclass(frozen=True)
class ColumnsTaken:
    """What was understood of a log.

    Parameters
    ----------
    path, layout, loops_from : str
        The log, its layout, and how its loops were found.
    row : str
        What a row is taken for, in words.
    stamped : str
        ``start`` or ``end`` of its loop, or of its call; empty where nothing tells.
    stamped_why : str
    clock : Clock
    header : str
        As the project file names it.
    columns : tuple of ColumnTaken
    """

    path: str
    layout: str
    row: str
    loops_from: str
    stamped: str
    stamped_why: str
    clock: Clock
    header: str
    columns: tuple[ColumnTaken, ...]

    def stated(self) -> str:
        """The table of ``[[columns]]`` that says all this.

        Raises
        ------
        UsageError
            If the rows are not loops: only there are columns stated.
        """
        if not all(one.instead for one in self.columns):
            raise UsageError(
                f"{self.path}: its rows are no loops ({self.layout}), and columns are stated only "
                "of such: name them with --columns, or in [log] columns"
            )
        lines = ["[[columns]]", f"header = {_quoted(self.header)}"]
        if not any(one.name for one in self.columns) and (files := files_like(self.path)):
            lines.append(f"files = {_quoted(files)}  # no header: of logs with these names alone")
        if self.stamped:
            lines.append(f"stamped = {_quoted(self.stamped)}")
        rows = [f"  {_quoted(_role(one))},  # {_quoted(one.name)}" for one in self.columns]
        return "\n".join([*lines, "roles = [", *rows, "]"]) + "\n"

    @property
    def unsure(self) -> tuple[ColumnTaken, ...]:
        """Columns that may be something else."""
        return tuple(one for one in self.columns if one.sure != "sure")


def columns_taken(
    path: str | os.PathLike[str],
    *,
    project: Project | None = None,
    cache: bool = True,
    **given: Any,
) -> ColumnsTaken:
    """Say what was understood of a log's columns.

    Parameters
    ----------
    path, project, cache, **given
        As for `looptime.parsers.read.read_log`.

    Raises
    ------
    LogError
        If the log cannot be read as it stands.
    """
    run = read_log(path, project=project, cache=cache, **given).runs[0]
    source = open_source(path)
    text = head(source).decode("utf-8", "replace")
    source, dialect, options, name = opened(source, text, options_of(project, **given))
    layout, columns = choose(dialect, options, source.path)
    rewritten = name is not None
    names = dialect.header or ("",) * dialect.fields
    header = f"{dialect.fields} columns" if dialect.header is None else ",".join(names)
    ended = "stamped at its end" in run.loop_from
    side = "end" if ended else columns.stamped.side
    of_loops = layout.name in _ROW_A_LOOP and "time" in columns.one
    counted, taken = None, {read.index for _, read in columns.items()}
    if "loop" not in columns.one:
        counted = count_column(dialect, taken)
    samples = {one.index: one for one in sample_stamps(heads(dialect.header or ()), dialect)}
    rest = _Rest(counted, taken, frozenset(signal_columns(dialect, taken).values()), samples)
    return ColumnsTaken(
        os.fspath(path), name or layout.name, layout.row, run.loop_from,
        side if of_loops else "end" if _at_ends(run.clock) else "",
        columns.stamped.why, run.clock, header,
        tuple(_taken(dialect, columns, run, k, layout.name, rewritten, rest)
              for k in range(dialect.fields)),
    )  # fmt: skip


@dataclass(frozen=True)
class _Rest:
    """What is told of all columns at once, so that a wide log is looked through but once."""

    counted: Head | None  #: The column that counts the rows
    taken: set[int]  #: Places of those that play a part in the layout
    signals: frozenset[int]  #: Places of those that are signals
    samples: dict[int, Head]  #: Those that hold a sample's own stamp, by place


def _at_ends(clock: Clock) -> bool:
    """Whether the instants in the rows of calls are their ends."""
    return any(note.startswith(ENDED) for note in clock.notes)


def _taken(
    dialect: Dialect, given: Given, run: Run, index: int, layout: str, rewritten: bool,
    rest: _Rest,
) -> ColumnTaken:  # fmt: skip
    name = "" if dialect.header is None else dialect.header[index]
    cells = (row[index] for row in dialect.sample)
    sample = next((cell for cell in cells if not is_missing(cell)), "")
    word, unit, unit_from, why, sure = _judged(
        dialect, given, run.clock, index, run.loop_columns.phase_names, rest
    )
    if word == "loop number" and why == _COUNTS and layout not in _ROW_A_LOOP:
        word = "not used"
    if dialect.header is None:
        why = _UNHEADED.get(why, why)
    if name in dialect.said_above and unit_from == "header":
        unit_from = "line above the rows"
    if rewritten:  # lines that name their values have no header
        unit_from = "log" if unit_from == "header" else unit_from
        why = why.replace("its header", "its name")
    statable = layout in _ROW_A_LOOP
    instead = tuple(role for role in STATED_ROLES if role != word) if statable else ()
    return ColumnTaken(index, name, sample, word, unit, unit_from, why, sure, instead)


#: Parts whose times are in the clock's unit where their header states none.
_OF_THE_CLOCK = ("start", "end", "duration", "instant", "cpu")

#: Why a column without a header plays its part, by what is said of one with it.
_UNHEADED = {
    "its header names a clock and its values rise": "its values rise",
    "its header says so": "its values and those beside them say so",
    MAYBE: "it may be a length of time, but nothing says so: a name with a unit (--columns) would",
}
_COUNTS = "it counts the rows"
_BY_WORDS = "its few words stand in long stretches, and other columns change with them"
_MAYBE_PHASES = (
    "its few words stand in long stretches as those of phases do, but nothing changes with them: "
    "say that it is a phase, or read each with --by"
)


def _judged(
    dialect: Dialect, given: Given, clock: Clock, index: int, phases: tuple[str, ...],
    rest: _Rest,
) -> tuple[str, str | None, str, str, str]:  # fmt: skip
    """What a column is taken for, its unit and who says so, why, and how sure that is."""
    if clock.other is not None and _text(dialect, index) == clock.other["column"]:
        return "second clock", None, "", "it keeps time with the clock", "sure"
    if clock.other is not None and _text(dialect, index) == clock.other["used_column"]:
        why = f"it keeps time with {clock.other['column']} and is used of the two"
        return "clock", clock.unit, clock.unit_from, why, "sure"
    if rest.counted is not None and rest.counted.index == index:
        return "loop number", None, "", _COUNTS, "sure"
    for read, role in given.roles:
        if read.index == index and role.taken_as != "signal":
            unit = next((n for n, ns in UNITS.items() if ns == role.unit_ns), None)
            word = role.taken_as if not role.left_of else "deviation"
            if word == "whole" and role.lap_of >= 0:
                word = "end"
            if role.inside >= 0:
                word = f"part of {given.roles[role.inside][0].text}"
            return word, unit, role.unit_from, role.why, role.sure
    for key, read in given.items():
        if read.index != index:
            continue
        part = key if isinstance(key, str) else key.group
        word = "end" if part == "start" and _at_ends(clock) else _WORDS.get(part, part)
        if part in given.told:
            own = clock.unit if part in ("time", "start") else read.unit
            return word, own, "header" if read.unit else "", given.told[part], "likely"
        if part == "time":
            named = read.unit or read.word in CLOCKS or of_a_clock(read.text)
            why = "its header names a clock and its values rise"
            why = why if named else "its values rise, and others go with its steps"
            if not (read.word in CLOCKS or of_a_clock(read.text)) and rounds(read, dialect):
                why = "it goes on evenly past the wraps of a counter, and its steps hold the rest"
            return "clock", clock.unit, clock.unit_from, why, "sure"
        why = "its values rise within each loop" if part == "instant" else "its header says so"
        unit, unit_from = read.unit, "header" if read.unit else ""
        if not unit and part in _OF_THE_CLOCK:
            unit, unit_from = clock.unit, clock.unit_from
        return word, unit, unit_from, why, "sure"
    if clock.unit == CLOCK:
        dated = date_column(dialect, rest.taken)
        if dated is not None and dated.index == index:
            return (
                DATE,
                None,
                "",
                "its cells are dates, and the clock tells the time of day",
                "sure",
            )
    if index in rest.signals:
        known = next((r for read, r in given.roles if read.index == index), None)
        why = "it holds numbers" if known is None else known.why
        if (sample := rest.samples.get(index)) is not None:
            why = "a sample's own stamp: its age at the loop's time is used"
            return "signal", sample.unit or clock.unit, "header" if sample.unit else "", why, "sure"
        angle = quantity_in(dialect, index)
        if angle is not None:
            word, unit = angle.word, angle.unit
            return word, unit, "header" if unit else "", why, "sure" if unit else "likely"
        return "signal", None, "", why, "unsure" if why in (MAYBE, IN_NO_LIST) else "sure"
    if in_long_stretches(dialect, index):
        cells = {row[index].strip() for row in dialect.sample}
        if "phase" not in given.one and cells <= set(phases):
            return "phase", None, "", _BY_WORDS, "likely"
        return ("not used", None, "", _MAYBE_PHASES, "unsure")
    counts = counts_rows(numbers(dialect, index))
    why = _COUNTS if counts else "it holds no numbers that go with a loop"
    return "not used", None, "", why, "sure"


def _quoted(text: str) -> str:
    """Text as TOML writes it: JSON's escapes are among its own."""
    return json.dumps(text)


def _role(one: ColumnTaken) -> str:
    word = "part" if one.taken_as.startswith("part of ") else one.taken_as
    word = word if word in STATED_ROLES else "skip"
    if word in ("heading", "turn rate"):
        return f"{word} {one.unit}" if one.unit in ANGLE_UNITS else "signal"
    timed = word not in ("signal", "skip", "loop number", "phase") and one.unit in UNITS
    return f"{word} {one.unit}" if timed else word


def _text(dialect: Dialect, index: int) -> str:
    return "" if dialect.header is None else dialect.header[index]
