"""Reading a log from its file to its runs."""

from __future__ import annotations

import os
from dataclasses import replace as _replace
from typing import TYPE_CHECKING, Any

import numpy as np

from looptime.errors import LogError
from looptime.parsers.assemble.run_of_calls import assemble, with_lost
from looptime.parsers.layouts.contract import Options, Parsed
from looptime.parsers.layouts.skeleton import parse
from looptime.parsers.lines.groups import by_group, refuse_mixed
from looptime.parsers.lines.plain import plain_rows
from looptime.parsers.log import Log
from looptime.parsers.registry import check_name, choose
from looptime.parsers.repair.clock_repair import check_unit, settle
from looptime.parsers.text.dialect import Dialect, sniff
from looptime.parsers.text.prose import is_written
from looptime.parsers.text.source import Progress, Source, head, open_source, stored
from looptime.run import Run
from looptime.stated_columns import matching

if TYPE_CHECKING:
    from looptime.project import Project

__all__ = ["Log", "opened", "options_of", "read", "read_log"]

#: A prepared copy is kept of logs from this size on [bytes].
PAYS_FROM = 1 << 20
#: Layouts of which rows of several senders make no sense together.
_ROW_A_LOOP = ("costs", "stamps", "stages")
#: A log of more runs than this has no clock where one was looked for.
MOST_RUNS = 1000


def read_log(
    path: str | os.PathLike[str],
    *,
    project: Project | None = None,
    unit: str | None = None,
    layout: str | None = None,
    columns: str | None = None,
    loop_call: str | None = None,
    by: str | None = None,
    stamped: str | None = None,
    rate_hz: float | None = None,
    cache: bool = True,
    progress: Progress | None = None,
) -> Log:
    """Read every run of a log.

    Parameters
    ----------
    path : path-like
        CSV or other text log; gzip and zstd are read as they are.
    project : Project, optional
        Labels and reading options of ``looptime.toml``; arguments given here win.
    unit : str, optional
        Unit of the times: ``ns``, ``us``, ``ms`` or ``s``.
    layout : str, optional
        One of `looptime.schema.LAYOUTS`.
    columns : str, optional
        Names of the columns of a log without header, separated by commas.
    loop_call : str, optional
        Name of the call whose start begins a loop.
    by : str, optional
        Column that tells whose row each is; each of its values becomes a run of its own, whose
        ``meta["group"]`` it is.
    stamped : str, optional
        ``start`` or ``end``: at which end of its loop a row of one loop is stamped.
    rate_hz : float, optional [1/s]
        How often the loop runs, where the log has neither a clock nor periods.
    cache : bool
        Whether a large log's prepared copy in the user's cache folder may be used and written.
    progress : callable, optional
        Called now and then with the share of the file that has been read, 0 to 1; not called
        where a prepared copy is at hand.

    Raises
    ------
    LogError
        If the log cannot be read as it stands; the message says what to do.
    """
    options = options_of(
        project, unit=unit, layout=layout, columns=columns, loop_call=loop_call, by=by,
        stamped=stamped, rate_hz=rate_hz,
    )  # fmt: skip
    if stored(path):
        from looptime.parsers.kept.store import read_stored

        return Log(os.fspath(path), read_stored(path))
    make = _prepared if cache else _fresh
    runs = make(path, options, progress)
    return Log(os.fspath(path), tuple(_labelled(run, project) for run in runs))


def options_of(project: Project | None, **given: Any) -> Options:
    """How a log is read: as given, else as the project says."""
    said = {} if project is None else dict(vars(project.log))
    wanted = said | {key: value for key, value in given.items() if value}
    return Options(
        **wanted, stated=() if project is None else project.columns,
        unit_from="option" if given.get("unit") else "project",
    )  # fmt: skip


def _prepared(
    path: str | os.PathLike[str], options: Options, progress: Progress | None
) -> tuple[Run, ...]:
    """The runs of a log from its prepared copy, or read and then kept as one."""
    try:
        pays = os.stat(path).st_size >= PAYS_FROM
    except (OSError, ValueError):
        pays = False
    if not pays:
        return _fresh(path, options, progress)
    from looptime.parsers.kept import cache as copies

    wanted = copies.key(path, options)
    runs = copies.fetch(wanted)
    if runs is None:
        runs = _fresh(path, options, progress)
        copies.keep(wanted, runs)
    return tuple(_replace(run, source=os.fspath(path)) for run in runs)


def _fresh(
    path: str | os.PathLike[str], options: Options, progress: Progress | None
) -> tuple[Run, ...]:
    """The runs of a log as they stand in the file, without the project's labels."""
    source = _replace(open_source(path), progress=progress)
    text = head(source).decode("utf-8", "replace")
    try:
        return _read(source, text, options)
    except LogError as error:
        if is_written(text):
            check_name(source.path)
            raise LogError(
                "is prose and no log: it holds sentences and no rows of times. Read are tables of "
                "times, and lines that name their values, such as `812 imu_ms=9`",
                source.path,
            ) from error
        raise


def opened(
    source: Source, text: str, options: Options
) -> tuple[Source, Dialect, Options, str | None]:
    """A log brought to rows: its text, how it is written and read, the name of its layout.

    Parameters
    ----------
    source, text : Source, str
        The log and its first lines.
    options : Options
        As the caller gave them.

    Raises
    ------
    LogError
        If it cannot be told how it is written.
    """
    plain = plain_rows(source, text, options)
    if plain is None:
        if options.layout is None and options.columns is None:
            check_name(source.path)
        dialect = sniff(text, source.path, options.columns)
    else:
        source, dialect, options = plain.source, plain.dialect, plain.options
    stated = matching(options.stated, dialect.header, dialect.fields)
    dialect = _replace(dialect, unit=options.unit, rate_hz=options.rate_hz, stated=stated)
    if stated is not None:
        options = _replace(options, stamped=options.stamped or stated.stamped)
    name = plain.layout if plain is not None else None
    return source, dialect, options, name


def _read(source: Source, text: str, options: Options) -> tuple[Run, ...]:
    """The runs of a log, whose first lines are at hand."""
    source, dialect, options, name = opened(source, text, options)
    if options.by is None:
        return tuple(_runs(_pieces(source, dialect, options, name), source.path, options))
    made: list[Run] = []
    for group, own, like in by_group(source, dialect, options.by):
        for run in _runs(_pieces(own, like, options, name), source.path, options):
            made.append(_replace(run, meta=run.meta | {"group": group}))
    return tuple(made)


def _pieces(source: Source, dialect: Dialect, options: Options, name: str | None) -> list[Parsed]:
    """What the log's layout makes of its rows, a piece for each run; `name` is that shown."""
    layout, given = choose(dialect, options, source.path)
    if options.by is None and options.layout is None and layout.name in _ROW_A_LOOP:
        refuse_mixed(dialect, given.first("time"), source.path, given.lengths)
    parsed = parse(layout, source, dialect, given, options)
    notes = parsed.clock.notes + tuple(source.cautions)
    parsed = _replace(
        parsed, clock=_replace(parsed.clock, notes=notes), layout=name or parsed.layout
    )
    return [layout.finish(piece) for piece in settle(parsed, source.path)]


def read(
    path: str | os.PathLike[str],
    *,
    project: Project | None = None,
    unit: str | None = None,
    layout: str | None = None,
    columns: str | None = None,
    loop_call: str | None = None,
    by: str | None = None,
    stamped: str | None = None,
    rate_hz: float | None = None,
    cache: bool = True,
) -> Run:
    """Read the one run of a log; the arguments are those of `read_log`.

    Raises
    ------
    LogError
        If the log cannot be read as it stands, or holds several runs.
    """
    log = read_log(
        path,
        project=project,
        unit=unit,
        layout=layout,
        columns=columns,
        loop_call=loop_call,
        by=by,
        stamped=stamped,
        rate_hz=rate_hz,
        cache=cache,
    )
    if len(log.runs) != 1:
        raise LogError(f"holds {len(log.runs)} runs: use looptime.read_log(path).runs", log.path)
    return log.runs[0]


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
                typical = float(np.median(period) or period.mean())  # most may be 0
                check_unit(run.clock, typical, path)
        except LogError as reason:
            if len(pieces) == 1:
                raise
            error = reason
            short.append(piece)
            continue
        made.append(run)
    if error is not None and not made:
        raise error
    for piece in short:
        made[0] = with_lost(made[0], piece)
    return made


def _labelled(run: Run, project: Project | None) -> Run:
    from looptime.project import Project as Plain

    rules = project if project is not None else Plain()
    return run.with_names(tuple(rules.label(name) for name in run.names))
