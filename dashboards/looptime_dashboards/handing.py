"""The report on the log that is looked at, as a file to keep, to print and to send."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from looptime import __version__
from looptime.questions.reporting import report_on
from looptime.views.files.report import render_report

if TYPE_CHECKING:
    from looptime_dashboards.desk import Desk
    from looptime_dashboards.view import View

__all__ = ["report_file"]

#: How long a report waits for its log to be read [s].
_PATIENCE_S = 600.0


def report_file(desk: Desk, view: View) -> tuple[str, str]:
    """Name and text of the report on the part of a run that a view shows.

    Raises
    ------
    LooptimeError
        If the run or the part of it is not there.
    Pending
        If its log takes too long to read.
    """
    log = desk.library.log(view.run, _PATIENCE_S)
    if len(log.runs) > 1:
        log = replace(log, runs=(desk.run(view),))
    asked = desk.asked(view).but(phase=view.phase or None, from_s=view.start, to_s=view.end)
    one = desk.heavily(lambda: report_on(asked, log))
    text = render_report([one], version=__version__, project=str(desk.project.path or ""))
    offered = desk.library.get(view.run)
    name = "" if offered is None else re.sub(r"[^A-Za-z0-9._-]+", "_", offered.name)[:80]
    return f"{name.split('.')[0] or 'log'}-report.html", text
