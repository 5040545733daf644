"""Reading a log from its file to its runs."""

from __future__ import annotations

import os
from dataclasses import replace as _replace
from typing import TYPE_CHECKING, Any

from looptime.errors import LogError
from looptime.parsers.log import Log
from looptime.parsers.options import Options
from looptime.parsers.text.source import Progress, stored
from looptime.run import Run

if TYPE_CHECKING:
    from looptime.project import Project

__all__ = ["Log", "options_of", "read", "read_log"]

#: A prepared copy is kept of logs from this size on [bytes].
PAYS_FROM = 1 << 20


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

        runs = read_stored(path)
        if loop_call and not all(repr(loop_call) in run.loop_from for run in runs):
            said = "is an export, its loops are told: give --loop-call to the log it was made from"
            raise LogError(said, os.fspath(path))
        return Log(os.fspath(path), runs)
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
        loop_call_from="option" if given.get("loop_call") else "project",
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
        if copies.key(path, options) == wanted:  # else the log was changed while it was read
            copies.keep(wanted, runs)
    return tuple(_replace(run, source=os.fspath(path)) for run in runs)


def _fresh(
    path: str | os.PathLike[str], options: Options, progress: Progress | None
) -> tuple[Run, ...]:
    """The runs of a log read from its file, by modules that a prepared copy does not need."""
    from looptime.parsers.fresh import fresh

    return fresh(path, options, progress)


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


def _labelled(run: Run, project: Project | None) -> Run:
    from looptime.project import Project as Plain

    rules = project if project is not None else Plain()
    return run.with_names(tuple(rules.label(name) for name in run.names))
