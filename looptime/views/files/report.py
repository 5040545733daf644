"""The report: one file for the team's logbook, to be read, printed and sent without a network."""

import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from looptime.files import write_whole
from looptime.findings.finding import CAUTION
from looptime.views.figures.drawing import library_text
from looptime.views.files.html import data_json, element, escape
from looptime.views.files.report_log import Against, ReportLog
from looptime.views.files.report_page import header_style, script, style
from looptime.views.files.report_parts import log_parts
from looptime.views.files.report_sheet import Sheet
from looptime.words import listed

__all__ = ["ReportLog", "render_report", "write_report"]

#: Logs up to this many are told in full.
_MOST_IN_FULL = 3


def write_report(
    logs: Sequence[ReportLog], out: str | os.PathLike[str], *, title: str = "", version: str = "",
    errors: Sequence[str] = (), project: str = "", against: Against | None = None,
) -> Path:  # fmt: skip
    """Write the report of some logs to one file.

    Parameters
    ----------
    logs : sequence of ReportLog
        The logs with all that is told of them (`looptime.questions.reporting`).
    out : path-like
        The HTML file; it is replaced if it is there.
    title : str, optional
        Heading of the report; else the robot and the logs' names.
    version : str, optional
        Version of the program, for the last line.
    errors : sequence of str
        One line for each log that could not be read.
    project : str
        The project file that was used.
    against : Against, optional
        How several logs compare.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    target = Path(out)
    text = render_report(logs, title=title, version=version, errors=errors, project=project,
                         against=against)  # fmt: skip
    write_whole(target, text, folders=True)
    return target


def render_report(
    logs: Sequence[ReportLog], *, title: str = "", version: str = "",
    errors: Sequence[str] = (), project: str = "", against: Against | None = None,
) -> str:  # fmt: skip
    """The report as HTML text; see `write_report`."""
    sheet = Sheet()
    body = "".join(element("p", f"Not read: {e}", class_="caution") for e in errors)
    if against is not None:
        from looptime.views.files.report_several import several

        body += several(logs, against, sheet)
    for place, one in enumerate(logs):
        if len(logs) > 1:
            body += element("h2", Path(one.log.path).name, id=f"l{place}", class_="log")
        body += log_parts(one, f"l{place}", sheet, short=len(logs) > _MOST_IN_FULL)
    body += element("h2", "Cautions")
    body += element("p", CAUTION[0].upper() + CAUTION[1:], class_="caution")
    body += sheet.computed()
    name = title or _title(logs)
    made = datetime.now(UTC).astimezone().strftime("%Y-%m-%d %H:%M")
    foot = f"Made {made} by looptime {version}".rstrip()
    foot += f", project file {project}" if project else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:\">"
        f"<title>{escape(name)}</title><style>{style()}{header_style(name)}</style></head><body>"
        f"<header><h1>{escape(name)}</h1>{element('p', foot, class_='faint')}</header>"
        f"<main>{body}</main>"
        f'<script type="application/json" id="figures">{data_json(sheet.figures)}</script>'
        f"<script>{library_text()}</script><script>{script()}</script></body></html>\n"
    )


def _title(logs: Sequence[ReportLog]) -> str:
    robots = {run.meta.get("robot", "") for one in logs for run in one.log.runs} - {""}
    names = [Path(one.log.path).name for one in logs]
    lead = f"Loop timing of {sorted(robots)[0]}" if len(robots) == 1 else "Loop timing"
    return f"{lead}: {listed(names)}" if names else lead
